"""What members and items of the record are called."""

from __future__ import annotations

import functools
import re

#: Member names, with spaces for underscores, that do not read well as they are.
_READ_AS = {
    "hr": "heart rate",
    "rr": "breathing rate",
    "spo2": "SpO2",
    "sbp": "systolic pressure",
    "dbp": "diastolic pressure",
    "etco2 mmhg": "EtCO2",
    "etco2 waveform": "EtCO2 waveform",
    "temperature c": "temperature",
    "glucose mg dl": "glucose",
    "cap refill s": "capillary refill",
    "cap refill other side": "capillary refill against the other side",
    "weight kg": "weight",
    "ecg": "ECG",
    "qtc ms": "QTc",
    "acvpu": "responsiveness",
    "behaviours": "behaviors",
    "behaviour": "behavior",
    "gcs total": "GCS total",
    "gcs eye": "GCS eye",
    "gcs verbal": "GCS verbal",
    "gcs motor": "GCS motor",
}


@functools.cache
def member_label(name: str) -> str:
    """What a member is called: "breathing rate" for ``rr``."""
    words = name.replace("_", " ")
    return _READ_AS.get(words, words)


@functools.cache
def item_label(cls: type) -> str:
    """What an item of a class is called: "limb check" for a LimbCheck."""
    return re.sub(r"(?<=.)([A-Z])", r" \1", cls.__name__).lower()
