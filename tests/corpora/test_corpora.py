"""Noise on clean episodes, and precision and recall on injected defects, held loosely.

The figures themselves come from ``python -m tests.corpora.report``.
"""

from __future__ import annotations

import json

from tests.corpora.defects import DEFECTS, several, singles
from tests.corpora.model import bad_starts, clean
from tests.corpora.report import CLEAN, STARTS, report
from tests.support.pipeline import pipeline

#: Rules that fire in exactly the same episodes of the corpora, and why they are two rules all the same.
TOGETHER = {
    ("RR-1466", "RR-1476"): "one low sugar: what was done for it, and the cause that is charted as not found",
    ("RR-1135", "RR-1404"): "one scene, irritant spray: how long it was watched, and what was told",
    ("RR-1216", "RR-1325"): "a set without a breathing rate is not complete: the author is asked, the sets are counted",
    ("RR-1248", "RR-1272"): "one scene, ketamine for a small child: the age, and the amount",
    ("RR-1433", "RR-1434"): "one scene, labored breathing: the danger, and what the author is asked about it",
    ("RR-1353", "RR-1449"): "a contact charted as none is one leaf of the first and the whole of the second",
    ("RR-1344", "RR-1451"): "the front cab for any time, and for the whole journey: the first gives way",
    ("RR-1105", "RR-1108"): "one scene, found prone and cuffed behind: posture and hands are two facts",
    ("RR-1105", "RR-1110"): "the same scene: posture and cuffs are two facts",
    ("RR-1108", "RR-1110"): "the same scene: hands as the posture says them and as the cuffs say them",
    (
        "RR-1174",
        "RR-1176",
    ): "a strap with its times crossed leaves its checks on a free limb: the second follows from the first",
    ("RR-1180", "RR-1341"): "a strap before contact makes the watch begin late: the second follows from the first",
    ("RR-1374", "RR-1386"): "one scene, a fight: heart rate and breathing rate are two readings",
}


#: Titles that share half their words and point at one place, and why both are said.
SAME_PLACE = {
    (
        "RR-1015",
        "RR-1569",
    ): "restrained against advice, and sedated against it, which is graver: two acts; the first gives way",
    ("RR-1247", "RR-1272"): "by weight at any age, and the child's limit with its own sources: the first gives way",
}


def test_clean_episodes_give_nothing_above_info() -> None:
    assert report().loud == []
    assert CLEAN >= 30


def test_clean_episodes_say_little() -> None:
    """A reader of a good chart is shown less than one line for each chart."""
    assert sum(report().clean.values()) < CLEAN


def test_clean_episodes_are_varied() -> None:
    cases = clean(CLEAN)
    drugs = {d["drug"] for c in cases for d in c.document.get("sedation", {}).get("doses", [])}
    assert len({c.profile for c in cases}) == 5
    assert len(drugs) >= 6
    assert len({len(c.document["monitoring"]["vitals"]) for c in cases}) >= 8
    assert sum("not_collected" in c.document for c in cases) >= 10
    assert sum(c.document["patient"]["age"]["value"] < 16 for c in cases) >= 3


def test_clean_episodes_are_judged_not_passed_over() -> None:
    """Silence counts only where most rules could tell: nothing is clean because nothing was known."""
    for case in clean(15):
        summary = (
            pipeline().review(json.dumps(case.document).encode(), "application/json", case.profile).document["summary"]
        )
        assert summary["not_assessable"] < summary["rules"] / 4, case.name
        assert summary["clear"] > 60, case.name


def test_honest_bad_starts_give_nothing_critical() -> None:
    assert report().starts["critical"] == 0
    assert report().starts["info"] >= STARTS * 4  # each is seen, and told as info


def test_bad_starts_are_seen() -> None:
    """Found prone and cuffed behind by police, weight on the back, a racing heart: shown, never critical."""
    assert {"RR-1105", "RR-1110", "RR-1080", "RR-1386"} <= set(report().fired)
    assert len(bad_starts(1)) == 4


def test_all_injected_critical_defects_are_found() -> None:
    assert report().by["critical"].missed == []
    assert report().by["critical"].right >= 60


def test_precision_and_recall_by_category() -> None:
    for name in ("completeness", "safety", "consistency", "all"):
        figures = report().by[name]
        assert figures.right >= 20, name
        assert figures.recall >= 0.95, (name, figures.missed)
        assert figures.precision >= 0.95, (name, figures.wrong)


def test_every_critical_rule_has_been_injected() -> None:
    """A critical rule that no label names would be measured nowhere."""
    critical = {rule.id for rule in pipeline().rulebook.rules if rule.severity == "critical"}
    named = {rule for defect in DEFECTS for rule in defect.expected}
    assert critical <= named, sorted(critical - named)


def test_there_are_enough_kinds_of_defect() -> None:
    assert len({d.name for d in DEFECTS}) == len(DEFECTS) >= 60
    known = {rule.id for rule in pipeline().rulebook.rules}
    assert all(d.expected and d.expected <= known and d.may <= known for d in DEFECTS)
    assert any(len(episode.names) >= 3 for episode in several(20))


def test_at_least_a_hundred_rules_find_something() -> None:
    assert len(report().fired) >= 100
    assert report().errors == []


def test_no_two_rules_say_the_same_about_the_same_place() -> None:
    """Measured by title and pointers; a pair that is in the table has two duties, each with its own source."""
    assert set(report().same) <= set(SAME_PLACE)


def test_rules_that_always_fire_together_are_known() -> None:
    assert set(report().together()) <= set(TOGETHER)


def test_the_same_seed_gives_the_same_episodes() -> None:
    assert [c.document for c in clean(6)] == [c.document for c in clean(6)]
    assert [e.faulty for e in singles()] == [e.faulty for e in singles()]
