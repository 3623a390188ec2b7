"""What is not known: the four states from the record through the facts to the outcomes."""

from __future__ import annotations

import copy
import random
from typing import Any

import pytest

from service.episode.absence import MISSING, NOT_COLLECTED, Absent
from service.facts.builder import state_of
from service.facts.fact import Fact
from service.facts.sheet import build
from service.pipeline import Pipeline
from tests.support.absences import OPTIONAL_PATHS, declined, not_collected
from tests.support.episodes import check, encoded, exemplary, full, limb, narrative_reader, read, sheet, small, vital
from tests.support.reviews import review

DECLINED = Absent("declined", "other")


@pytest.mark.parametrize(
    ("inputs", "state"),
    [
        ((NOT_COLLECTED, MISSING, DECLINED), "not_collected"),
        ((DECLINED, NOT_COLLECTED, 3), "not_collected"),
        ((DECLINED, MISSING), "missing"),
        ((DECLINED, 3), "declined"),
        ((MISSING,), "missing"),
        ((3,), "missing"),
        ((), "missing"),
    ],
)
def test_order_of_states(inputs: tuple[Any, ...], state: str) -> None:
    """The first that one of the inputs has, in the order not_collected, missing, declined."""
    assert state_of(*inputs) == state


def by_key(document: Any) -> dict[tuple[str, str], Fact]:
    return {(f.kind, f.key): f for f in sheet(document).facts}


PLAIN = by_key(exemplary())
#: One member at a time, where only this member stands between the record and the attribute.
DERIVED = [
    ("/patient/weight_kg", "dose", "mg_per_kg"),
    ("/patient/weight_kg", "dose", "mg_per_kg_tolerant"),
    ("/sedation/doses/*/unit", "dose", "mg"),
    ("/sedation/doses/*/dose", "dose", "mg"),
    ("/sedation/doses/*/dose", "dose", "mg_per_kg"),
    ("/sedation/doses/*/route", "dose", "route_group"),
    ("/sedation/doses/*/dose", "drug", "total"),
    ("/sedation/doses/*/route", "drug", "im"),
    ("/sedation/doses/*/route", "drug", "total_im"),
    ("/sedation/doses/*/time", "dose", "repeat"),
    ("/sedation/doses/*/time", "dose", "vitals_due"),
    ("/monitoring/limb_checks", "limb", "checks"),
    ("/monitoring/limb_checks", "limb", "longest_gap"),
    ("/monitoring/limb_checks/*/time", "limb", "checks"),
    ("/monitoring/limb_checks/*/time", "limb", "longest_gap_sure"),
    ("/application/limbs/*/on", "limb", "restrained"),
    ("/monitoring/vitals", "episode", "news2"),
    ("/monitoring/vitals/*/temperature_c", "episode", "news2"),
    ("/monitoring/vitals/*/sbp", "episode", "shock_index"),
    ("/monitoring/vitals/*/agitation_score", "episode", "score_before"),
    ("/application/head_released", "episode", "head_released_last"),
    ("/transport/departed", "episode", "completed_before_departure"),
    ("/patient/age", "episode", "minor"),
    ("/handover/told", "episode", "glucose_told"),
    ("/monitoring/actions", "event", "unanswered"),
    ("/postures/*/end", "posture", "duration"),
    ("/patient/conditions", "episode", "ep_condition_asthma"),
    ("/sedation", "section", "sedation_doses"),
    ("/decision", "section", "decision_capacity"),
    ("/team", "section", "team_members"),
]


@pytest.mark.parametrize(("path", "kind", "attribute"), DERIVED, ids=[f"{k}.{a} without {p}" for p, k, a in DERIVED])
def test_a_derived_attribute_takes_the_state_of_its_input(path: str, kind: str, attribute: str) -> None:
    known = {key for key, fact in PLAIN.items() if key[0] == kind and attribute in fact.values}
    assert known
    found = by_key(not_collected(path))
    states = {found[key].state(attribute) for key in known & set(found)} - {"recorded"}
    assert states == {"not_collected"}


# ---------------------------------------------------------------- into outcomes


def outcomes(pipeline: Pipeline, document: Any) -> dict[str, str]:
    """Rule id -> outcome under the default profile."""
    return dict(pipeline.review(encoded(document), "application/json", "default").outcomes)


@pytest.mark.parametrize("path", OPTIONAL_PATHS)
def test_what_a_format_has_no_place_for_yields_no_finding(pipeline: Pipeline, path: str) -> None:
    """From a record without any finding, a member that the sender cannot say may close questions, never raise a finding."""
    document = review(pipeline, not_collected(path))
    assert [(f["rule"]["id"], f["severity"]) for f in document["findings"]] == []


#: What a patient who is sedated and tied cannot go without, whatever the reason: the question is answered, the danger stays.
DANGER_WITHOUT = {
    "/monitoring": ["RR-1591", "RR-1593"],
    "/monitoring/vitals": ["RR-1591"],
    "/monitoring/limb_checks": ["RR-1593"],
}


@pytest.mark.parametrize("path", OPTIONAL_PATHS)
def test_what_could_not_be_had_yields_no_finding(pipeline: Pipeline, path: str) -> None:
    """Declined with a reason meets a completeness rule and leaves every comparison unknown."""
    document = review(pipeline, declined(path))
    assert sorted(f["rule"]["id"] for f in document["findings"]) == DANGER_WITHOUT.get(path, [])
    assert {f["handled_by"] for f in document["findings"]} <= {"reviewer"}


def test_a_left_out_record_is_never_clear_about_its_inside(pipeline: Pipeline) -> None:
    """A record with nothing in it: rules about limbs, doses, readings cannot be clear."""
    found = outcomes(pipeline, {"episode_ref": "e"})
    assert "error" not in found.values()
    clear = {rule for rule, outcome in found.items() if outcome == "clear"}
    about = {r.id: r.about for r in pipeline.rulebook.rules}
    assert {about[rule] for rule in clear} & {
        "limb",
        "check",
        "dose",
        "drug",
        "posture",
        "device",
        "belt",
        "body_weight",
        "person",
        "event",
        "phrase",
    } == set()


# ---------------------------------------------------------------- pure


@pytest.mark.parametrize("document", [exemplary(), full(), small()], ids=["exemplary", "full", "small"])
def test_the_same_record_twice_gives_the_same_sheet(document: Any) -> None:
    episode = read(document).episode
    before = copy.deepcopy(episode)
    first, second = build(episode, narrative_reader()), build(episode, narrative_reader())
    assert first == second == sheet(copy.deepcopy(document))
    assert [f.key for f in first.facts] == [f.key for f in second.facts]
    assert episode == before


#: Lists whose order says nothing.
UNORDERED = [
    "/patient/substances",
    "/decision/behaviours",
    "/decision/alternatives",
    "/decision/causes",
    "/team/members",
    "/stretcher/belts",
    "/application/limbs",
    "/application/holds",
    "/postures",
    "/monitoring/vitals",
    "/monitoring/limb_checks",
    "/monitoring/breathing_checks",
    "/reassessments",
]


@pytest.mark.parametrize("path", UNORDERED)
def test_order_of_a_list_changes_no_outcome(pipeline: Pipeline, path: str) -> None:
    document = exemplary()
    *steps, last = path.split("/")[1:]
    node = document
    for step in steps:
        node = node[step]
    rng = random.Random(1)
    expected = outcomes(pipeline, document)
    for _ in range(2):
        rng.shuffle(node[last])
        assert outcomes(pipeline, document) == expected
    node[last].reverse()
    assert outcomes(pipeline, document) == expected


# ---------------------------------------------------------------- spans without an end


def outcome(pipeline: Pipeline, document: Any, rule: str) -> str:
    return outcomes(pipeline, document)[rule]


@pytest.mark.parametrize(
    ("last", "off", "expected"),
    [
        (21, 21, "clear"),  # 15 min from the check to the end, 60 s taken off
        (21, None, "not_assessable"),  # no end charted: it may have gone on
        (22, None, "not_assessable"),  # 15 min after the 60 s are off: on the limit
        (23, None, "finding"),  # already over
        (23, 23, "finding"),
        (22, 22, "clear"),
    ],
)
def test_an_open_span_over_the_limit_is_a_finding_any_other_is_unknown(
    pipeline: Pipeline, last: float, off: float | None, expected: str
) -> None:
    """The last check of the limb is at minute 6, the last entry of the record at ``last``; no transfer of care."""
    document = small(
        limbs=[limb(on=2, off=off)], monitoring={"limb_checks": [check(6)], "vitals": [vital(last, hr=80)]}
    )
    assert outcome(pipeline, document, "RR-1307") == expected
