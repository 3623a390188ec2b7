"""Every published row is answered by a rule or by a reason, and the tables beside the rules say so.

The rows are those of the public documents listed in ``rules/sources.yaml``,
restated there under the ids used here.
"""

from __future__ import annotations

from tests.rules.tables import answered, documents, tables
from tests.support.pipeline import pipeline

BOOK = pipeline().rulebook
RULES = {rule.id: rule for rule in BOOK.rules}

#: What review must see today, and whether an agency may lower it.  Trigger sources: RR-.... `sources` of each rule.
CRITICAL = {
    "prone, hobble, sandwich, neck or chest pressure in this unit's care": (
        "RR-1046",
        "RR-1079",
        "RR-1101",
        "RR-1102",
        "RR-1103",
        "RR-1112",
    ),
    "the same found at contact": ("RR-1082", "RR-1104"),
    "hands behind the back": ("RR-1065", "RR-1107", "RR-1109"),
    "suddenly quiet": ("RR-1345",),
    "EtCO2 waveform lost, high or rising": ("RR-1375", "RR-1376", "RR-1377"),
    "SpO2 under 90": ("RR-1360",),
    "sedative and no EtCO2": ("RR-1331",),
    "police device, no officer or key": ("RR-1133", "RR-1134"),
    "left unattended": ("RR-1351",),
    "olanzapine IM with a benzodiazepine": ("RR-1224",),
    "absent pulse or slow refill, not answered": ("RR-1311",),
    "limb never checked": ("RR-1303",),
    "capacity present and no ground": ("RR-1016",),
    "temperature of 40 and no cooling": ("RR-1391",),
    "breathing complaint, no look at breathing": ("RR-1346",),
    "vomiting, bleeding, seizure with face cover or tied supine": ("RR-1347", "RR-1348"),
    "arrest while restrained, time of release not charted": ("RR-1350",),
    "sedative for law enforcement": ("RR-1221",),
}
LOCKED = {
    "prone, hobble, sandwich, neck or chest pressure in this unit's care",
    "the same found at contact",
    "suddenly quiet",
    "EtCO2 waveform lost, high or rising",
    "SpO2 under 90",
    "left unattended",
    "absent pulse or slow refill, not answered",
    "temperature of 40 and no cooling",
    "breathing complaint, no look at breathing",
    "vomiting, bleeding, seizure with face cover or tied supine",
}


def test_every_row_is_answered_or_says_why_not() -> None:
    named = answered(BOOK)
    for title, rows in tables():
        for row, text in rows.items():
            if text == "":
                assert row in named, f"{title}: {row} is answered by no rule and gives no reason"
            elif isinstance(text, list):
                assert text, row
                assert set(text) <= set(RULES), f"{row}: {set(text) - set(RULES)}"
            else:
                assert row not in named, f"{row}: a reason although {named[row]} answer it"
                assert len(text) > 20, row


def test_every_row_that_a_rule_names_is_restated_in_the_sources() -> None:
    assert set(answered(BOOK)) <= set(BOOK.facts)


def test_tables_beside_the_rules_are_true() -> None:
    """Write them again with ``python -m tests.rules.tables --write``."""
    for path, text in documents(BOOK).items():
        assert path.read_text(encoding="utf-8") == text, path.name


def test_red_flags_that_are_critical_have_a_critical_rule() -> None:
    flags = dict(tables())["Red flags"]
    for flag, rules in CRITICAL.items():
        assert set(rules) <= set(flags[flag]), flag
        for rule in rules:
            assert RULES[rule].severity == "critical", rule
            assert RULES[rule].raw["tell_now"], rule
            if flag in LOCKED:
                assert RULES[rule].locked, f"{rule} is not locked"


def test_a_flag_that_is_not_critical_has_no_critical_rule() -> None:
    """The other way round: nothing is made critical beyond the table."""
    flags = dict(tables())["Red flags"]
    for flag, rules in flags.items():
        extra = {rule for rule in rules if RULES[rule].severity == "critical"} - set(CRITICAL.get(flag, ()))
        assert not extra - {"RR-1320"}, (flag, extra)  # sedated with no vital signs at all: a whole duty missing


def test_at_least_130_rules() -> None:
    assert len(RULES) >= 130
