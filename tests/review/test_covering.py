"""One thing, one question: a rule that yields is covered by a graver one, and only by one that stands.

The shipped rules are made to yield to each other in memory; what they decide stays as it is.
"""

from __future__ import annotations

import copy
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import pytest

from service.pipeline import API_VERSION, Pipeline
from service.review.build import Wanted
from service.review.ruleset import Ruleset
from service.review.standing import settle
from service.rulebook.profiles import bind_all
from service.rulebook.rule import SwitchOff, YieldsTo
from service.rulebook.rule_file import circles
from tests.support.episodes import Document, encoded
from tests.support.pipeline import demo, pipeline
from tests.support.reviews import instances

#: Of the night: each finds the four limbs, as the author's warning; a limb is first checked up to 02:52, then at 03:20.
FIRST_CHECK, GAP = "RR-1305", "RR-1307"
#: The author's warning, and the reviewer's, both about a dose at 03:02.
WATCHED_LATE, WITH_ALCOHOL = "RR-1340", "RR-1229"
#: The reviewer's information about the patient before this unit's treatment, both about one set of signs.
HEART, SATURATION = "RR-1374", "RR-1386"
ACCOUNTS = Wanted(accounts=True)


def yielding(changes: Mapping[str, Mapping[str, Any]], **profile: Any) -> Pipeline:
    """The shipped pipeline with members of rules, and of the default profile, replaced."""
    shipped = pipeline()
    rules = tuple(replace(rule, **changes.get(rule.id, {})) for rule in shipped.rulebook.rules)
    book = replace(shipped.rulebook, rules=rules)
    chosen = replace(book.profiles["default"], **profile)
    bound = bind_all(rules, chosen, book.vocabulary.units)
    made = copy.copy(shipped)
    made._rulesets = {"default": Ruleset.of(book, chosen, bound, "0", API_VERSION)}
    return made


def to(rule: str, on: Any) -> dict[str, Any]:
    return {"yields_to": (YieldsTo(rule, on),)}


def answer(pipe: Pipeline, document: Document) -> Document:
    return pipe.review(encoded(document), "application/json", "default", ACCOUNTS).document


def night(**more: Any) -> Document:
    """The night, with capnography from 12 min after the sedative on."""
    document = demo("night-two-crew-late-sedation")
    document["monitoring"]["capnography"][0]["start"] = "2031-05-03T03:14:00-06:00"
    return document | more


def keys(document: Document, member: str = "findings") -> list[str]:
    return [finding["key"] for finding in document[member]]


def marks(document: Document, rule: str) -> list[str]:
    return [one["fingerprint"] for one in instances(document) if one["rule"]["id"] == rule]


def accepted(fingerprints: list[str]) -> list[dict[str, str]]:
    return [{"fingerprint": mark, "reason": "Read and agreed."} for mark in fingerprints]


def test_nothing_yields_unless_it_says_so() -> None:
    before = answer(yielding({}), night())
    assert {FIRST_CHECK, GAP, WATCHED_LATE, WITH_ALCOHOL, HEART, SATURATION} <= set(keys(before))
    assert before["covered"] == []


@pytest.mark.parametrize("on", ["fact", "item"])
def test_what_is_covered_leaves_the_findings_and_keeps_its_outcome(on: str) -> None:
    before = answer(yielding({}), night())
    after = answer(yielding({FIRST_CHECK: to(GAP, on)}), night())
    assert after["covered"] == [{"rule": FIRST_CHECK, "by": GAP, "facts": 4}]
    assert keys(after) == [key for key in keys(before) if key != FIRST_CHECK]
    assert after["summary"]["covered"] == 1
    assert after["summary"]["findings"] == before["summary"]["findings"] - 1
    assert after["summary"]["finding"] == before["summary"]["finding"]
    assert after["accounts"] == before["accounts"]


def test_on_time_is_within_five_minutes() -> None:
    """Each limb's wait ends at its first check, which begins the gap; the start of the waits is over 5 min away."""
    pipe = yielding({WATCHED_LATE: to(GAP, "time"), FIRST_CHECK: to(WATCHED_LATE, "time")})
    before = answer(pipeline(), night())
    spans = {one["rule"]["id"]: one["span"] for one in instances(before)}
    assert spans[WATCHED_LATE]["from"] == spans[GAP]["from"], "at one time"
    after = answer(pipe, night())
    assert {(c["rule"], c["by"]) for c in after["covered"]} == {(WATCHED_LATE, GAP)}
    assert FIRST_CHECK in keys(after), "what is itself covered covers nothing"


@pytest.mark.parametrize(("minutes", "covered"), [(5, True), (6, False), (-5, True), (-6, False)])
def test_the_edge_of_five_minutes(minutes: int, covered: bool) -> None:
    """Two gaps in a synthetic settling: spans of one minute, so many minutes apart."""
    pipe = yielding({FIRST_CHECK: to(GAP, "time")})
    made = pipe.review(encoded(night()), "application/json", "default", ACCOUNTS)
    ruleset = pipe._rulesets["default"]
    number = {entry.rule.id: entry.number for entry in ruleset.rules.values()}
    upper = [replace(made.found[GAP][0], span=(10_000, 10_060))]
    start = 10_060 + 60 * minutes if minutes > 0 else 10_000 + 60 * minutes - 60
    lower = [replace(made.found[FIRST_CHECK][0], span=(start, start + 60))]
    standings, _ = settle(ruleset, {number[FIRST_CHECK]: lower, number[GAP]: upper}, ())
    assert bool(standings[number[FIRST_CHECK]].covered) is covered
    assert bool(standings[number[FIRST_CHECK]].findings) is not covered


def test_only_the_instances_that_are_the_same_thing_are_covered() -> None:
    """One limb is checked in time later on: its late first check has nothing above it."""
    document = night()
    extra = copy.deepcopy(next(c for c in document["monitoring"]["limb_checks"] if c["time"][11:16] > "03:00"))
    limb = document["application"]["limbs"][0]
    extra |= {
        "id": "between",
        "side": limb["side"],
        "site": limb["site"],
        "time": extra["time"][:11] + "03:10:00-06:00",
    }
    document["monitoring"]["limb_checks"].append(extra)
    plain = answer(pipeline(), document)
    assert (len(marks(plain, FIRST_CHECK)), len(marks(plain, GAP))) == (4, 3)
    after = answer(yielding({FIRST_CHECK: to(GAP, "fact")}), document)
    assert after["covered"] == [{"rule": FIRST_CHECK, "by": GAP, "facts": 3}]
    assert len(marks(after, FIRST_CHECK)) == 1
    assert after["summary"]["covered"] == 0, "an instance is left: the rule counts among the findings"


def test_another_handler_covers_nothing() -> None:
    after = answer(yielding({WITH_ALCOHOL: to(WATCHED_LATE, "time")}), night())
    assert after["covered"] == []
    assert WITH_ALCOHOL in keys(after)


def test_a_lower_severity_covers_nothing_and_an_equal_one_does() -> None:
    lowered = yielding({FIRST_CHECK: to(GAP, "fact")}, severities={GAP: "info"})
    assert answer(lowered, night())["covered"] == []
    both = yielding({FIRST_CHECK: to(GAP, "fact")}, severities={GAP: "info", FIRST_CHECK: "info"})
    assert answer(both, night())["covered"] != []
    assert answer(yielding({SATURATION: to(HEART, "item")}), night())["covered"] == [
        {"rule": SATURATION, "by": HEART, "facts": 1}
    ]


def test_an_upper_rule_that_is_off_covers_nothing() -> None:
    off = (SwitchOff(GAP, "For a test.", "medical director", "2031-12-31"),)
    after = answer(yielding({FIRST_CHECK: to(GAP, "fact")}, off=off), night())
    assert after["off"]
    assert after["covered"] == []
    assert len(marks(after, FIRST_CHECK)) == 4


def test_an_upper_rule_that_is_counted_covers_nothing() -> None:
    after = answer(yielding({FIRST_CHECK: to(GAP, "fact")}, measures={GAP: "For a test."}), night())
    assert {"rule": GAP, "facts": 4} in [{"rule": c["rule"], "facts": c["facts"]} for c in after["counted"]]
    assert after["covered"] == []
    assert len(marks(after, FIRST_CHECK)) == 4


def test_a_counted_rule_is_counted_and_not_covered() -> None:
    after = answer(yielding({FIRST_CHECK: to(GAP, "fact")}, measures={FIRST_CHECK: "For a test."}), night())
    assert after["covered"] == []
    assert FIRST_CHECK in {entry["rule"] for entry in after["counted"]}


def test_an_accepted_instance_covers_nothing() -> None:
    """Two of four gaps are accepted: the late first check of these two limbs comes back."""
    pipe = yielding({FIRST_CHECK: to(GAP, "fact")})
    gaps = marks(answer(pipe, night()), GAP)
    after = answer(pipe, night(accepted=accepted(gaps[:2])))
    assert after["covered"] == [{"rule": FIRST_CHECK, "by": GAP, "facts": 2}]
    assert len(marks(after, FIRST_CHECK)) == 2
    everything = answer(pipe, night(accepted=accepted(gaps)))
    assert everything["covered"] == []
    assert len(marks(everything, FIRST_CHECK)) == 4


def test_a_chain_is_looked_at_from_its_upper_end() -> None:
    """The last yields to the middle, which is covered by the first: the last stands, whatever their numbers are."""
    chain = yielding({FIRST_CHECK: to(GAP, "fact"), GAP: to("RR-1308", "fact")})
    assert answer(chain, night())["covered"] == [{"rule": FIRST_CHECK, "by": GAP, "facts": 4}], "RR-1308 finds nothing"
    turned = yielding({GAP: to(FIRST_CHECK, "fact")})
    assert answer(turned, night())["covered"] == [{"rule": GAP, "by": FIRST_CHECK, "facts": 4}]


@pytest.mark.parametrize("how", ["covered", "counted"])
def test_accepting_what_is_covered_or_counted_changes_nothing(how: str) -> None:
    before = answer(pipeline(), night())
    covered = yielding({FIRST_CHECK: to(GAP, "fact")})
    counted = yielding({}, measures={FIRST_CHECK: "For a test."})
    pipe = covered if how == "covered" else counted
    quiet = answer(pipe, night())
    assert quiet["summary"][how] == before["summary"][how] + 1
    after = answer(pipe, night(accepted=accepted(marks(before, FIRST_CHECK))))
    assert after == quiet, "matched, so it is no unused acceptance either"


def test_a_circle_is_refused() -> None:
    rules = {rule.id: rule for rule in pipeline().rulebook.rules}
    one = {**rules, GAP: replace(rules[GAP], yields_to=(YieldsTo(GAP, "fact"),))}
    assert circles(one) == [f"{GAP}: yields_to leads in a circle"]
    first, gap = (YieldsTo(FIRST_CHECK, "fact"),), (YieldsTo(GAP, "fact"),)
    two = {**rules, GAP: replace(rules[GAP], yields_to=first), FIRST_CHECK: replace(rules[FIRST_CHECK], yields_to=gap)}
    assert circles(two) == [f"{FIRST_CHECK}: yields_to leads in a circle", f"{GAP}: yields_to leads in a circle"]
    unknown = {**rules, GAP: replace(rules[GAP], yields_to=(YieldsTo("RR-9999", "fact"),))}
    assert circles(unknown) == [f"{GAP}: yields_to: unknown rule RR-9999"]
    assert circles(rules) == []


def test_the_four_ends_sum_to_the_rules_with_a_finding() -> None:
    pipe = yielding(
        {FIRST_CHECK: to(GAP, "fact"), SATURATION: to(HEART, "item")}, measures={WATCHED_LATE: "For a test."}
    )
    alcohol = marks(answer(pipe, night()), WITH_ALCOHOL)
    summary = answer(pipe, night(accepted=accepted(alcohol)))["summary"]
    assert (summary["covered"], summary["accepted"]) == (2, 1)
    assert summary["counted"] == 2
    ends = ("findings", "accepted", "counted", "covered")
    assert sum(summary[end] for end in ends) == summary["finding"] + summary["error"]
