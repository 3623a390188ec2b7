"""Absence alone is never a safety finding: a member left out may be asked for, it shows no prohibited act.

Exempt are the lists that hold what was done about a danger: without them a
charted danger has no charted response, and that is a safety finding. Exempt
is also the end of a device: one that never came off, by the chart, stayed on
until transfer of care, and that is what the chart then says.
"""

from __future__ import annotations

import copy
from typing import Any

import pytest

from tests.support.episodes import Document, clock, exemplary
from tests.support.mutate import places
from tests.support.pipeline import demo, pipeline
from tests.support.reviews import accounts, instances, review

RESPONSES = frozenset({"actions", "breathing_checks"})
ENDS = frozenset({"off"})


def left_out(document: Document) -> list[tuple[int, str]]:
    """(place, name) of every optional member; of long lists the first two items only."""
    skipped: set[int] = set()
    for place in places(document):
        if isinstance(place.value, list):
            skipped |= {id(item) for item in place.value[2:] if isinstance(item, dict)}
    return [
        (number, place.member.name)
        for number, place in enumerate(places(document))
        if not place.member.required and id(place.holder) not in skipped and place.member.name not in RESPONSES | ENDS
    ]


#: (rule, the member whose absence leaves the charted danger open).
OPEN_DANGERS = [("RR-1082", {"end"}), ("RR-1104", {"end"})]


def safety(document: Document) -> set[str]:
    """The safety rules with a finding, one that a graver rule covers included."""
    found = {each["rule"] for each in accounts(pipeline(), document) if each["outcome"] == "finding"}
    return found & {rule.id for rule in pipeline().rulebook.rules if rule.category == "safety"}


@pytest.mark.parametrize("name", ["exemplary", "found-prone-handcuffs-key-away", "child-ketamine"])
def test_absence_alone_is_never_a_safety_finding(name: str) -> None:
    document = demo(name)
    before = safety(document)
    new: dict[str, set[str]] = {}
    for number, member in left_out(document):
        without = copy.deepcopy(document)
        place = list(places(without))[number]
        del place.holder[place.member.name]
        for rule in safety(without) - before:
            new.setdefault(rule, set()).add(member)
    # Weight and a forbidden posture that stand in the record without an end are judged up to its last entry.
    assert {rule: members for rule, members in new.items() if (rule, members) not in OPEN_DANGERS} == {}


def above_info(document: Document) -> set[str]:
    return {f["rule"]["id"] for f in review(pipeline(), document)["findings"] if f["severity"] != "info"}


def test_a_declined_reading_meets_the_duty_after_a_sedative() -> None:
    """A capnograph that broke, charted so in every set: ``declined`` with a reason meets a completeness rule."""
    document = exemplary()
    broken: Any = {"absent": "declined", "reason": "equipment_failed"}
    for vital in document["monitoring"]["vitals"]:
        vital["etco2_mmhg"] = vital["etco2_waveform"] = broken
    document["monitoring"]["capnography"] = []
    assert "RR-1332" not in above_info(document)


def test_straps_put_on_by_a_hospital_before_contact_start_no_duty_before_contact() -> None:
    """A transfer: the straps went on two hours before this unit came. Its duties begin with its contact."""
    document = exemplary()
    for limb in document["application"]["limbs"]:
        limb |= {"applied_by": "hospital", "on": clock(-110)}
        del limb["entered"]
    document["application"] |= {"started": clock(-111), "completed": clock(-110)}
    spans = [(one["rule"]["id"], one["span"]) for one in instances(review(pipeline(), document)) if one["span"]]
    before_contact = sorted(rule for rule, span in spans if span["from"] < document["transport"]["at_patient"])
    assert before_contact == []


def test_a_score_at_contact_is_in_time_for_a_patient_found_in_cuffs() -> None:
    """Nobody can score a patient before meeting him: three minutes after contact is as early as it gets."""
    document = demo("found-prone-handcuffs-key-away")
    document["application"]["holds"] = []
    assert "RR-1327" not in above_info(document)


def test_the_span_of_a_late_first_check_ends_with_that_check() -> None:
    """The right arm is secured at 02:38 and first checked at 02:49."""
    findings = instances(review(pipeline(), demo("night-two-crew-late-sedation")))
    span = next(
        f["span"]
        for f in findings
        if f["rule"]["id"] == "RR-1305" and f["pointers"][0]["pointer"] == "/application/limbs/0"
    )
    assert (span["from"][11:16], span["to"][11:16]) == ("02:38", "02:49")
