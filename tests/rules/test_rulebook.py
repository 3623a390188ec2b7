"""The rulebook as a whole: words nobody asks for, kinds without rules, sources nobody cites."""

from __future__ import annotations

import re

from service.episode import declaration, record
from service.intake import strict_yaml
from service.resources import rules_directory
from service.rulebook.profiles import chosen_sources
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
    "naemsp-2024": "a position whose text was not read; listed so that nobody takes the one of 2021 for the newest",
    "rxnorm": "codes of the drugs",
    "sat-2011": "range and steps of a scale that a record may use",
    "spit-2019": "a finding of no harm: why a spit cover alone is no finding",
    "hospital-review-2024": "hospital intervals, a comparison",
    "nice-ng10": "hospital intervals, a comparison",
}
#: The row itself asks what is *not* charted: capacity present, or a guardian who refused, and no ground to act on.
GROUND = {"RR-1016", "RR-1568"}


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
    cited |= {source for profile in BOOK.profiles.values() for source in chosen_sources(profile).values()}
    assert set(BOOK.sources) - cited <= set(BACKGROUND), sorted(set(BOOK.sources) - cited)


def test_every_section_has_an_owner_of_its_absence() -> None:
    owned = {path for rule in BOOK.rules for path in rule.requires}
    assert {f"/{m.name}" for m in declaration.members(record.Episode) if not m.required} <= owned


def test_absence_has_one_owner() -> None:
    paths = [path for rule in BOOK.rules for path in rule.requires]
    assert sorted({path for path in paths if paths.count(path) > 1}) == []


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
