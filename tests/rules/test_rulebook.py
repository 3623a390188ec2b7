"""The rulebook as a whole: words nobody asks for, kinds without rules, sources nobody cites, ranges of published values."""

from __future__ import annotations

import re

import pytest

from service.episode import declaration, record
from service.intake import strict_yaml
from service.resources import rules_directory
from service.rulebook.rule import STATE_OPS
from tests.support.pipeline import pipeline

BOOK = pipeline().rulebook
WORDS = strict_yaml.load(rules_directory() / "vocabulary.yaml")

#: Derived attributes that no rule asks for. The facts layer may need one on the way to another
#: (`sedation_considered`), a message may want one later; the list may only grow shorter.
IDLE = {
    "body_weight.duration",
    "body_weight.end_charted",
    "check.after_control",
    "check.refill",
    "device.cross_checked",
    "device.secured_after_start",
    "dose.antipsychotic",
    "dose.by_weight",
    "dose.score_after",
    "dose.vitals_after",
    "drug.shortest_interval",
    "episode.destination_duty_due",
    "episode.first_etco2_after_sedation",
    "episode.minor",
    "episode.sedation_considered",
    "episode.sedative_doses",
    "episode.shock_index_limit",
    "event.check_delay",
    "event.limb_check_delay",
    "event.under_age_limit_answered",
    "limb.on_charted",
    "limb.times_applied",
    "person.holds_limb",
    "person.roles_charted",
    "posture.duration",
}
#: Sources that no rule cites, and what they are there for.
BACKGROUND = {
    "rxnorm": "codes of the drugs",
    "sat-2011": "range and steps of a scale that a record may use",
    "spit-2019": "a finding of no harm: why a spit cover alone is no finding",
    "hospital-review-2024": "hospital intervals, a comparison",
    "nice-ng10": "hospital intervals, a comparison",
}
#: The published row itself asks what is *not* charted: capacity present and neither danger, authority nor emergency.
GROUND = {"RR-1016"}
#: Published values that a range has to contain: (rule, parameter) -> values, as the protocols in sources.yaml state them.
PUBLISHED = {
    ("RR-1307", "max_gap"): (5, 10, 15),
    ("RR-1323", "max_gap"): (5, 10, 15),
    ("RR-1322", "info_gap"): (5, 10, 15),
    ("RR-1324", "max_gap"): (5, 10),
    ("RR-1032", "min_people"): (4, 5),
    ("RR-1239", "max"): (2.5, 5, 10),
    ("RR-1240", "max"): (5, 10),
    ("RR-1250", "max"): (5, 10),
    ("RR-1269", "midazolam"): (5, 10, 15),
    ("RR-1241", "max"): (200, 250, 300, 400, 500),
    ("RR-1242", "max"): (100, 200),
    ("RR-1245", "max_im"): (2, 4, 5),
    ("RR-1245", "max_iv"): (1, 2),
    ("RR-1251", "max"): (200, 400, 500),
    ("RR-1252", "max"): (4,),
    ("RR-1253", "max"): (10, 20),
    ("RR-1254", "max"): (5, 10),
    ("RR-1255", "max"): (5, 10),
    ("RR-1256", "max"): (20, 30),
    ("RR-1257", "max"): (40,),
    ("RR-1244", "max"): (25, 50),
    ("RR-1258", "elder_age"): (65, 66, 70),
    ("RR-1248", "min_age"): (12, 16),
    ("RR-1220", "ketamine_age"): (13, 16),
    ("RR-1261", "max_midazolam"): (5, 6),
    ("RR-1360", "limit"): (88, 90, 94),
    ("RR-1362", "limit"): (94, 95),
    ("RR-1388", "limit"): (60, 70),
    ("RR-1382", "limit"): (90, 100),
    ("RR-1398", "limit"): (0.6, 0.9, 1.0),
    ("RR-1391", "limit"): (40,),
    ("RR-1392", "limit"): (38.1, 38.3, 40),
    ("RR-1314", "slow_refill"): (2, 3),
    ("RR-1131", "min_flow"): (12, 15),
}


def _used() -> dict[str, set[str]]:
    used: dict[str, set[str]] = {}
    for rule in BOOK.rules:
        leaves = rule.applies_when.leaves() + rule.fails_when.leaves()
        used.setdefault(rule.about, set()).update(
            {leaf.attribute for leaf in leaves} | set(re.findall(r"\{(\w+)\}", rule.raw["message"]))
        )
    return used


def test_no_more_derived_attributes_lie_idle() -> None:
    used = _used()
    idle = {
        f"{kind}.{name}"
        for kind, entry in WORDS["kinds"].items()
        for name in entry.get("derived", {})
        if name not in used.get(kind, set())
    }
    assert idle <= IDLE, sorted(idle - IDLE)


def test_every_kind_has_rules() -> None:
    assert {rule.about for rule in BOOK.rules} == set(WORDS["kinds"])


def test_every_phase_and_category_has_rules() -> None:
    assert {rule.phase for rule in BOOK.rules} == set(WORDS["phases"])
    assert {rule.category for rule in BOOK.rules} == set(WORDS["categories"])


def test_every_source_is_cited() -> None:
    cited = {source.key for rule in BOOK.rules for source in rule.sources} | {
        p.source for rule in BOOK.rules for p in rule.parameters
    }
    cited |= {fact["source"] for fact in BOOK.facts.values()}
    assert set(BOOK.sources) - cited <= set(BACKGROUND), sorted(set(BOOK.sources) - cited)


def test_every_section_has_an_owner_of_its_absence() -> None:
    owned = {path for rule in BOOK.rules for path in rule.requires}
    assert {f"/{m.name}" for m in declaration.members(record.Episode) if not m.required} <= owned


def test_absence_has_one_owner() -> None:
    paths = [path for rule in BOOK.rules for path in rule.requires]
    assert sorted({path for path in paths if paths.count(path) > 1}) == []


@pytest.mark.parametrize(("rule_id", "parameter"), PUBLISHED)
def test_ranges_contain_every_published_value(rule_id: str, parameter: str) -> None:
    rule = next(rule for rule in BOOK.rules if rule.id == rule_id)
    one = next(p for p in rule.parameters if p.name == parameter)
    for value in PUBLISHED[rule_id, parameter]:
        assert one.low <= value <= one.high, value


def test_absence_alone_is_never_safety() -> None:
    """No safety rule fires because a member is missing."""
    for rule in BOOK.rules:
        if rule.category == "safety" and rule.id not in GROUND:
            assert not any(leaf.op == "missing" for leaf in rule.fails_when.leaves()), rule.id


def test_who_acts_follows_from_the_category() -> None:
    for rule in BOOK.rules:
        if rule.category != "consistency":
            allowed = {"completeness": ("author", "measures"), "safety": ("reviewer",)}[rule.category]
            assert rule.handled_by in allowed, rule.id
        if rule.handled_by == "measures":
            assert rule.severity == "info", rule.id


def test_state_questions_exist() -> None:
    """The two tests above are about something."""
    assert sum(leaf.op in STATE_OPS for rule in BOOK.rules for leaf in rule.fails_when.leaves()) > 50
