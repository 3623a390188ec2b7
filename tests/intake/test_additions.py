"""What the record can hold since release 0.2: forms that 0.1.0 refused, and forms of 0.1.0 that are still read."""

from __future__ import annotations

from typing import Any

import pytest

from service.episode.absence import MISSING, NOT_COLLECTED
from service.episode.record import Episode
from service.intake import episode_json
from service.problems import Rejected
from tests.support.episodes import clock, encoded, read, small


def both(document: Any) -> Episode:
    """The record as both readers of our JSON read it."""
    fast, strict = read(document).episode, episode_json.from_value(document).episode
    assert fast == strict
    return strict


def slips(document: Any) -> list[tuple[str, str]]:
    with pytest.raises(Rejected) as caught:
        episode_json.read(encoded(document))
    return [(slip.code, slip.pointer) for slip in caught.value.errors]


@pytest.mark.parametrize("more", [{}, {"side": "left"}])
def test_a_check_of_all_limbs_needs_no_side(more: dict[str, str]) -> None:
    check = {"site": "all", "time": clock(3), "pulse": "present", **more}
    (found,) = both(small(monitoring={"limb_checks": [check]})).monitoring.limb_checks  # type: ignore[misc]
    assert (found.site, found.side) == ("all", more.get("side", MISSING))


def test_a_device_on_the_torso_needs_no_side() -> None:
    (found,) = both(small(limbs=[{"site": "torso", "device": "vest"}])).application.limbs  # type: ignore[misc]
    assert (found.site, found.side) == ("torso", MISSING)


@pytest.mark.parametrize("side", [None, {"absent": "not_collected"}])
def test_any_other_site_needs_its_side(side: Any) -> None:
    item = {"site": "wrist"} if side is None else {"site": "wrist", "side": side}
    wanted = ("missing-member", "") if side is None else ("not-text", "/side")
    for document, at in (
        (small(limbs=[item]), "/application/limbs/0"),
        (small(monitoring={"limb_checks": [item]}), "/monitoring/limb_checks/0"),
    ):
        assert slips(document) == [(wanted[0], at + wanted[1])]


def test_a_saturation_takes_a_decimal_and_a_whole_number_takes_point_zero() -> None:
    (vital,) = both(small(monitoring={"vitals": [{"spo2": 97.5, "hr": 80.0, "gcs_total": 14.0}]})).monitoring.vitals  # type: ignore[misc]
    assert (vital.spo2, vital.hr, vital.gcs_total) == (97.5, 80, 14)
    assert slips(small(monitoring={"vitals": [{"hr": 80.5}]})) == [("not-a-whole-number", "/monitoring/vitals/0/hr")]


@pytest.mark.parametrize("blank", ["", "  \n"])
def test_a_blank_text_is_missing(blank: str) -> None:
    assert both(small(narrative=blank)).narrative is MISSING
    assert both({**small(narrative=blank), "not_collected": ["/narrative"]}).narrative is NOT_COLLECTED


def test_ids_of_attendants_stand_once() -> None:
    episode = both(small(transport={"attended_by": ["p1", "p2"]}))
    assert episode.transport.attended_by == ("p1", "p2")
    assert slips(small(transport={"attended_by": ["p1", "p1"]})) == [("same-id-twice", "/transport/attended_by/1")]
    assert slips(small(transport={"attended_by": ["no id"]})) == [("not-an-id", "/transport/attended_by/0")]


#: What a crew has to say -> (section, what 0.1.0 refused).
SAID: dict[str, Any] = {
    "care ended with a refusal": {"transport": {"ended": {"time": clock(40), "how": "refused"}}},
    "care ended with a guardian": {"transport": {"ended": {"time": clock(40), "how": "released_to_guardian"}}},
    "when an action ended, and whose it was": {
        "monitoring": {"actions": [{"action": "cpr", "time": clock(3), "end": clock(9), "by": "p1"}]}
    },
    "a strap on the hand": {"application": {"limbs": [{"site": "hand", "side": "left"}]}},
    "a strap on the foot": {"application": {"limbs": [{"site": "foot", "side": "left"}]}},
    **{
        device: {"application": {"limbs": [{"site": "wrist", "side": "left", "device": device}]}}
        for device in ("mitt", "vest", "body_wrap")
    },
    **{
        condition: {"patient": {"conditions": [condition]}}
        for condition in (
            "brain_injury", "intellectual_disability", "kidney_disease", "liver_disease", "infection", "anticoagulated",
        )
    },
    "wandering": {"decision": {"behaviours": [{"behaviour": "wandering"}]}},
    "a fall": {"monitoring": {"events": [{"event": "fall", "time": clock(3)}]}},
    "the limb of an injury": {"injuries": {"patient": [{"kind": "bruise", "site": "wrist", "side": "left"}]}},
    "what a guardian answered": {"decision": {"guardian_answer": "refused"}},
    "the strength of a dose in mL": {
        "sedation": {"doses": [{"drug": "midazolam", "dose": 2, "unit": "mL", "concentration_mg_ml": 5}]}
    },
    "two communication needs and who interpreted": {
        "patient": {"communication_needs": ["hearing", "language"], "interpreter": "family_or_bystander"}
    },
    "the kind of call and who sent the patient": {
        "transport": {"call": "transfer_between_facilities", "sent_from": "hospital"}
    },
    "the officer by time": {
        "custody": {"officer_spans": [{"officer": "aboard", "start": clock(3), "end": clock(9)}]}
    },
    "a device taken over": {"application": {"limbs": [{"site": "wrist", "side": "left", "taken_over": True}]}},
}  # fmt: skip


@pytest.mark.parametrize("what", SAID)
def test_what_a_crew_has_to_say_has_a_place(what: str) -> None:
    both(small(**SAID[what]))
