"""The outcome table and Kleene's tables, row by row, in both deciders; and what decided."""

from __future__ import annotations

import random
import sqlite3
from itertools import product

import pytest

from service.engine.compile import Catalogue
from service.engine.decide import Decider
from service.engine.evaluator import compile_rule, compile_term
from service.facts.fact import Fact, FactSheet
from service.rulebook.rule import BoundRule, Group, Leaf
from tests.engine.synthetic import BOOL, INT, bound, fact, group, words

CATALOGUE: Catalogue = {
    "limb": {
        "a": BOOL, "b": BOOL, "n": INT, "m": INT, "w": words("left", "right"), "checks": INT,
    },
}  # fmt: skip

TRUE, FALSE, UNKNOWN = True, False, None

A = Leaf("a", "eq", True)
B = Leaf("b", "eq", True)
N = Leaf("n", "gt", 3)


def flags(a: bool | None, b: bool | None = True, n: int | None = None) -> Fact:
    values = {name: value for name, value in (("a", a), ("b", b), ("n", n)) if value is not None}
    return fact("limb", values)


def both(rule: BoundRule, about: Fact) -> str:
    """The outcome of one rule for one fact, decided by engine and evaluator; ``error`` where they differ."""
    (decision,) = Decider([rule], CATALOGUE, {"limb": "not_applicable"}).decide(FactSheet((about,), {}))
    assert decision.by_fact == ((0, decision.outcome),)
    assert decision.outcome in (compile_rule(rule).outcome(about), "error")
    return decision.outcome


@pytest.mark.parametrize(
    ("applies", "fails", "outcome"),
    [
        (FALSE, FALSE, "not_applicable"),
        (FALSE, TRUE, "not_applicable"),
        (FALSE, UNKNOWN, "not_applicable"),
        (UNKNOWN, FALSE, "not_assessable"),
        (UNKNOWN, TRUE, "not_assessable"),
        (UNKNOWN, UNKNOWN, "not_assessable"),
        (TRUE, TRUE, "finding"),
        (TRUE, FALSE, "clear"),
        (TRUE, UNKNOWN, "not_assessable"),
    ],
)
def test_outcome_for_one_fact(applies: bool | None, fails: bool | None, outcome: str) -> None:
    rule = bound(1, "limb", Group("all", (A,)), Group("any", (B,)))
    assert both(rule, flags(applies, fails)) == outcome


@pytest.mark.parametrize(
    ("drawn_from", "when_none", "outcome"),
    [
        ("recorded", "clear", "clear"),
        ("recorded", "not_applicable", "not_applicable"),
        ("missing", "clear", "not_assessable"),
        ("not_collected", "clear", "not_assessable"),
        ("declined", "not_applicable", "not_assessable"),
        (None, "clear", "not_assessable"),
    ],
)
def test_outcome_for_a_kind_without_facts(drawn_from: str | None, when_none: str, outcome: str) -> None:
    rule = bound(1, "limb", Group("all", ()), Group("any", (A,)))
    decider = Decider([rule], CATALOGUE, {"limb": when_none})  # type: ignore[dict-item]
    (decision,) = decider.decide(FactSheet((), {"limb": drawn_from} if drawn_from else {}))
    assert (decision.outcome, decision.by_fact, decision.disputed) == (outcome, (), frozenset())


# Kleene, Introduction to Metamathematics (1952), section 64: the strong tables.
KLEENE_AND = {
    (TRUE, TRUE): TRUE, (TRUE, FALSE): FALSE, (TRUE, UNKNOWN): UNKNOWN,
    (FALSE, TRUE): FALSE, (FALSE, FALSE): FALSE, (FALSE, UNKNOWN): FALSE,
    (UNKNOWN, TRUE): UNKNOWN, (UNKNOWN, FALSE): FALSE, (UNKNOWN, UNKNOWN): UNKNOWN,
}  # fmt: skip
KLEENE_OR = {
    (TRUE, TRUE): TRUE, (TRUE, FALSE): TRUE, (TRUE, UNKNOWN): TRUE,
    (FALSE, TRUE): TRUE, (FALSE, FALSE): FALSE, (FALSE, UNKNOWN): UNKNOWN,
    (UNKNOWN, TRUE): TRUE, (UNKNOWN, FALSE): UNKNOWN, (UNKNOWN, UNKNOWN): UNKNOWN,
}  # fmt: skip


@pytest.mark.parametrize(("left", "right"), list(KLEENE_AND))
def test_kleene_tables(left: bool | None, right: bool | None) -> None:
    about = flags(left, right)
    assert compile_term(Group("all", (A, B))).truth(about) is KLEENE_AND[left, right]
    assert compile_term(Group("any", (A, B))).truth(about) is KLEENE_OR[left, right]
    for mode, table in (("all", KLEENE_AND), ("any", KLEENE_OR)):
        rule = bound(1, "limb", Group("all", ()), group({mode: [{"a": {"eq": True}}, {"b": {"eq": True}}]}))
        expected = {TRUE: "finding", FALSE: "clear", UNKNOWN: "not_assessable"}[table[left, right]]
        assert both(rule, about) == expected


def test_empty_groups() -> None:
    assert compile_term(Group("all", ())).truth(flags(None)) is True
    assert compile_term(Group("any", ())).truth(flags(None)) is False


@pytest.mark.parametrize(
    ("op", "expected"), [("eq", "FTF"), ("ne", "TFT"), ("lt", "TFF"), ("le", "TTF"), ("gt", "FFT"), ("ge", "FTT")]
)
def test_value_operators_below_on_and_above(op: str, expected: str) -> None:
    rule = bound(1, "limb", Group("all", ()), Group("all", (Leaf("n", op, 15),)))
    for value, letter in zip((14, 15, 16), expected, strict=True):
        assert both(rule, fact("limb", {"n": value})) == {"T": "finding", "F": "clear"}[letter]
    for state in ("missing", "declined", "not_collected"):
        assert both(rule, fact("limb", n=state)) == "not_assessable"
    assert both(rule, fact("limb")) == "not_assessable"


@pytest.mark.parametrize(
    ("op", "recorded", "missing", "declined"),
    [("recorded", TRUE, FALSE, FALSE), ("missing", FALSE, TRUE, FALSE), ("declined", FALSE, FALSE, TRUE)],
)
def test_state_operators(op: str, recorded: bool, missing: bool, declined: bool) -> None:
    rule = bound(1, "limb", Group("all", ()), Group("all", (Leaf("checks", op, True),)))
    outcomes = {TRUE: "finding", FALSE: "clear"}
    assert both(rule, fact("limb", {"checks": 0})) == outcomes[recorded]
    assert both(rule, fact("limb", checks="missing")) == outcomes[missing]
    assert both(rule, fact("limb")) == outcomes[missing]
    assert both(rule, fact("limb", checks="declined")) == outcomes[declined]
    assert both(rule, fact("limb", checks="not_collected")) == "not_assessable"


def test_three_values_match_sql() -> None:
    """Whole rules against SQLite: SQL (ISO/IEC 9075) gives NULL the same three-valued AND, OR and comparison."""
    rng = random.Random(4)
    sql_ops = {"eq": "=", "ne": "<>", "lt": "<", "le": "<=", "gt": ">", "ge": ">="}
    database = sqlite3.connect(":memory:")

    def leaf() -> tuple[Leaf, str]:
        name = rng.choice("nm")
        op, value = rng.choice(sorted(sql_ops)), rng.randint(0, 2)
        return Leaf(name, op, value), f":{name} {sql_ops[op]} {value}"

    def combine(terms: list[tuple[Leaf | Group, str]]) -> tuple[Group, str]:
        members, texts = zip(*terms, strict=True)
        if rng.random() < 0.5:
            return Group("all", members), "(" + " AND ".join(texts) + ")"
        return Group("any", members), "(" + " OR ".join(texts) + ")"

    seen = set()
    for _ in range(400):
        term, sql = combine([leaf(), combine([leaf() for _ in range(rng.randint(1, 3))]), leaf()])
        for n, m in product((None, 0, 1, 2), repeat=2):
            about = fact("limb", {name: value for name, value in (("n", n), ("m", m)) if value is not None})
            (answer,) = database.execute(f"SELECT {sql}", {"n": n, "m": m}).fetchone()
            assert compile_term(term).truth(about) is (None if answer is None else bool(answer))
            seen.add(answer)
    assert seen == {None, 0, 1}


def test_unknowns_name_what_left_the_rule_open() -> None:
    rule = bound(1, "limb", Group("all", (A, Group("any", (B, N)))), Group("any", (Leaf("w", "eq", "left"), N)))
    assert compile_rule(rule).unknowns(fact("limb", a="declined", b="not_collected")) == (
        ("a", "declined"), ("b", "not_collected"), ("n", "missing"),
    )  # fmt: skip
    # b settles its group, so n is not asked for by ``applies``; both leaves of ``fails`` are open.
    assert compile_rule(rule).unknowns(fact("limb", {"a": True, "b": True}, n="declined")) == (
        ("w", "missing"),
        ("n", "declined"),
    )
    assert compile_rule(rule).unknowns(fact("limb", {"a": False})) == ()
    assert compile_rule(rule).unknowns(fact("limb", {"a": True, "b": True, "n": 4})) == ()


def test_unknown_state_leaf_is_not_collected() -> None:
    rule = bound(1, "limb", Group("all", ()), Group("all", (Leaf("checks", "missing", True), N)))
    assert compile_rule(rule).unknowns(fact("limb", {"n": 9}, checks="not_collected")) == (("checks", "not_collected"),)


def test_deciding_leaves() -> None:
    rule = bound(1, "limb", Group("all", (A, B)), Group("any", (N, Leaf("w", "eq", "left"))))
    assert compile_rule(rule).deciding(flags(False, True)) == [
        (A, False),
    ]
    assert compile_rule(rule).deciding(flags(False, False)) == [(A, False), (B, False)]
    assert compile_rule(rule).deciding(flags(None, True)) == [
        (A, None),
    ]
    assert compile_rule(rule).deciding(flags(True, True, 4)) == [(A, True), (B, True), (N, True)]
    clear = fact("limb", {"a": True, "b": True, "n": 3, "w": "right"})
    assert compile_rule(rule).deciding(clear) == [(A, True), (B, True), (N, False), (Leaf("w", "eq", "left"), False)]
