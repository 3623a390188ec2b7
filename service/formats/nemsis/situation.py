"""What the patient complained of and what the crew thought it was: eSituation. None of it has a time of its own."""

from __future__ import annotations

from service.formats.diagnoses import IMPRESSIONS, SYMPTOMS, begins_with
from service.formats.meaning import Meanings

from . import codes
from .chart import Chart, moment
from .treatments import untimed_event
from .tree import El

#: Element -> the list of the standard that its codes are from.
_ELEMENTS: tuple[tuple[str, Meanings], ...] = (
    ("eSituation.09", SYMPTOMS),
    ("eSituation.10", SYMPTOMS),
    ("eSituation.11", IMPRESSIONS),
    ("eSituation.12", IMPRESSIONS),
)


def situation(chart: Chart) -> None:
    """Read symptoms and impressions, each thing once. A value with a PN is one that is not there."""
    here = chart.pcr.get("eSituation")
    told: set[tuple[str, str]] = set()
    conditions: dict[str, El] = {}
    for element, table in _ELEMENTS:
        for el in here.each(element):
            if not el.text or el.pn:
                continue
            meaning = begins_with(el.text, table)
            if meaning is None:
                chart.notice("unknown-diagnosis", el.at)
            elif meaning.kind == "condition":
                conditions.setdefault(meaning.word, el)
            elif meaning.kind != "aside" and (meaning.kind, meaning.word) not in told:
                told.add((meaning.kind, meaning.word))
                _add(chart, here, el, meaning.kind, meaning.word)
    if conditions:
        patient = chart.part("/patient", next(iter(conditions.values())))
        known = patient.data.get("conditions")
        first = next(iter(conditions.values()))
        words = sorted({*(known if isinstance(known, list) else ()), *conditions})
        chart.set_value(patient, "conditions", words, patient.places.get("conditions", first), override=True)


def _add(chart: Chart, here: El, el: El, kind: str, word: str) -> None:
    match kind:
        case "event":
            _event(chart, here, el, word)
        case "behaviour":
            chart.set_value(chart.item("/decision/behaviours", el), "behaviour", word, el)
        case "substance":
            item = chart.item("/patient/substances", el)
            chart.set_value(item, "substance", word, el)
            chart.set_value(item, "basis", "suspected", el)
        case "injury":
            item = chart.item("/injuries/patient", el)
            chart.set_value(item, "kind", word, el)
            chart.set_value(item, "when", "unknown", el)
        case "pregnant":
            patient = chart.part("/patient", el)
            if "pregnant" not in patient.data:
                chart.set_value(patient, "pregnant", True, el)
        case "death":
            death = chart.part("/injuries/death", el)
            if "died" not in death.data:
                chart.set_value(death, "died", True, el)


def _event(chart: Chart, here: El, el: El, word: str) -> None:
    """Add an event; of the primary symptom the onset is charted, and it may lie before this unit's care."""
    if word == "arrest" and any(
        spot.data.get("event") == "arrest" for spot in chart.lists.get("/monitoring/events", ())
    ):
        return  # eArrest says more of the same arrest
    onset = here.get("eSituation.01")
    begun, contact = moment(onset.text), moment(chart.pcr.get("eTimes", "eTimes.07").text)
    if el.name != "eSituation.09" or begun is None or onset.pn == codes.APPROXIMATE:
        untimed_event(chart, el, word, None)
        return
    event = chart.item("/monitoring/events", el)
    chart.set_value(event, "event", word, el)
    chart.set_value(event, "time", onset.text, onset)
    if contact is not None:
        chart.set_value(event, "before_care", begun < contact, onset)
