"""The fence: sentinels, limits, failures that stay failures, threads, fork; and compile-time refusals."""

from __future__ import annotations

import os
import platform
import random
import subprocess
import sys
import traceback
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import Any

import pytest

from service.engine import compile as compiler
from service.engine import fence as fence_module
from service.engine import generated
from service.engine.compile import Catalogue, Definitions, EngineError, compile_rules, fnv1a_32, hashes_differ
from service.engine.decide import Decider
from service.engine.fence import Fence, NotEvaluated
from service.facts.fact import Fact, FactSheet
from service.rulebook.rule import BoundRule, Group, Leaf
from tests.engine.sheets import literals_of, random_sheet
from tests.engine.synthetic import (
    BOOL,
    INT,
    Attribute,
    bound,
    fact,
    group,
    random_catalogue,
    random_rules,
    random_when_none,
    words,
)

CATALOGUE: Catalogue = {
    "limb": {"n": INT, "m": INT, "flag": BOOL, "side": words("left", "right")},
    "dose": {"n": INT},
}
ALWAYS = Group("all", ())
#: The C module, as the fence holds it.
ENGINE: Any = vars(fence_module)["engine"]


def over(number: int, limit: int, kind: str = "limb", attribute: str = "n") -> BoundRule:
    return bound(number, kind, ALWAYS, Group("all", (Leaf(attribute, "gt", limit),)))


def fence(*rules: BoundRule) -> Fence:
    return Fence(compile_rules(rules, CATALOGUE))


def limbs(count: int) -> list[Fact]:
    return [fact("limb", {"n": number}) for number in range(count)]


# -- what fires ---------------------------------------------------------------------------------------------------


def test_nothing_in_nothing_out() -> None:
    assert fence(over(1, 5)).fire([]) == set()
    assert fence().fire(limbs(3)) == set()


def test_a_rule_fires_once_per_fact_though_two_alternatives_hold() -> None:
    rule = bound(1, "limb", ALWAYS, group({"any": [{"n": {"gt": 0}}, {"m": {"gt": 0}}]}))
    assert fence(rule).fire([fact("limb", {"n": 1, "m": 1}), fact("limb")]) == {(0, 0)}


def test_kinds_are_kept_apart() -> None:
    assert fence(over(1, 5), over(2, 5, "dose")).fire([fact("dose", {"n": 9}), fact("limb", {"n": 8})]) == {
        (1, 0),
        (0, 1),
    }


@pytest.mark.parametrize("count", [499, 500, 501, 1000, 1337])
def test_chunks(count: int) -> None:
    assert fence(over(1, 5)).fire(limbs(count)) == {(0, index) for index in range(6, count)}


@pytest.mark.parametrize("count", [64, 65, 70, 300, 700])
def test_many_rules_of_one_kind_all_fire(count: int) -> None:
    """The engine holds 64 waiting conditions for one fact; the compiler groups what is more."""
    built = fence(*(over(number, -number) for number in range(count)))
    facts = [fact("limb", {"n": 1}), fact("limb", {"n": -10}), fact("limb")]
    both = {(number, 0) for number in range(count)} | {(number, 1) for number in range(11, count)}
    assert built.fire(facts) == both


def test_crowded_kind_of_alternatives() -> None:
    def rule(number: int) -> BoundRule:
        terms = [{"n": {"gt": -number}}, {"m": {"gt": -number}}, {"n": {"ne": number + 5000}}]
        return bound(number, "limb", ALWAYS, group({"any": terms}))

    built = fence(*(rule(number) for number in range(150)))
    assert built.fire([fact("limb", {"n": 1, "m": 1})]) == {(number, 0) for number in range(150)}


def test_extreme_integers() -> None:
    top = 2**53
    rules = [bound(1, "limb", ALWAYS, Group("all", (Leaf("n", op, value),)))
             for op in ("eq", "lt", "ge") for value in (top, -top, 0)]  # fmt: skip
    rules = [bound(number, "limb", rule.applies, rule.fails) for number, rule in enumerate(rules)]
    decider = Decider(rules, CATALOGUE, {"limb": "clear"})
    values = (top, top - 1, -top, 1 - top, 0)
    decisions = decider.decide(FactSheet(tuple(fact("limb", {"n": value}) for value in values), {}))
    assert not any(decision.disputed for decision in decisions)
    assert [outcome for _, outcome in decisions[0].by_fact] == ["finding", *["clear"] * 4]


# -- the engine fails ---------------------------------------------------------------------------------------------


def no_trace_of_a_fact(caught: BaseException) -> bool:
    text = "".join(traceback.format_exception(caught))
    return caught.__context__ is None and caught.__cause__ is None and "8675309" not in text + repr(caught)


SECRET = [fact("limb", {"n": 8675309})]


def failing(after: int, exception: type[BaseException]) -> Callable[..., object]:
    calls = 0
    real = ENGINE.complete_and_start_action

    def call(*arguments: object) -> object:
        nonlocal calls
        calls += 1
        if calls > after:
            raise exception('{"n":8675309}')
        return real(*arguments)

    return call


@pytest.mark.parametrize("name", ["assert_facts", "start_action_for_state", "retract_facts", "get_facts"])
@pytest.mark.parametrize("exception", [RuntimeError, MemoryError, ENGINE.error])
def test_an_exception_is_not_evaluated_and_the_next_is_right(
    name: str, exception: type[Exception], monkeypatch: pytest.MonkeyPatch
) -> None:
    built = fence(over(1, 5))
    with monkeypatch.context() as patch:
        patch.setattr(ENGINE, name, failing(0, exception))
        with pytest.raises(NotEvaluated) as caught:
            built.fire(SECRET)
    assert no_trace_of_a_fact(caught.value)
    assert built.fire(limbs(8)) == {(0, 6), (0, 7)}


def test_no_fact_is_left_in_the_engine() -> None:
    built = fence(over(1, 5))
    built.fire([*SECRET, *limbs(70)])
    assert ENGINE.get_facts(built._handle, "e") == "[]"


def test_a_fact_that_cannot_be_taken_back_goes_with_its_state(monkeypatch: pytest.MonkeyPatch) -> None:
    built = fence(over(1, 5))
    with monkeypatch.context() as patch:
        patch.setattr(ENGINE, "retract_facts", lambda *_: (0, 1))
        assert built.fire(SECRET) == {(0, 0)}
    with pytest.raises(ENGINE.error):
        ENGINE.get_facts(built._handle, "e")
    assert built.fire(limbs(8)) == {(0, 6), (0, 7)}


@pytest.mark.parametrize("exception", [RuntimeError, MemoryError, ENGINE.error])
def test_a_state_that_cannot_be_deleted_decides_nothing_more(
    exception: type[Exception], monkeypatch: pytest.MonkeyPatch
) -> None:
    built = fence(over(1, 5))
    with monkeypatch.context() as patch:
        patch.setattr(ENGINE, "retract_facts", lambda *_: (0, 1))
        patch.setattr(ENGINE, "delete_state", failing(0, exception))
        with pytest.raises(NotEvaluated) as caught:
            built.fire(SECRET)
    assert no_trace_of_a_fact(caught.value)
    with pytest.raises(NotEvaluated):  # its ids are known, so one evaluation is refused and deletes it
        built.fire(SECRET)
    assert built.fire(limbs(8)) == {(0, 6), (0, 7)}


def test_an_exception_half_way_is_not_evaluated(monkeypatch: pytest.MonkeyPatch) -> None:
    built = fence(over(1, 5))
    with monkeypatch.context() as patch:
        patch.setattr(ENGINE, "complete_and_start_action", failing(3, RuntimeError))
        with pytest.raises(NotEvaluated) as caught:
            built.fire(limbs(20) + SECRET)
    assert no_trace_of_a_fact(caught.value)
    assert built.fire(limbs(8)) == {(0, 6), (0, 7)}


def test_an_interrupt_passes_through_and_leaves_no_state(monkeypatch: pytest.MonkeyPatch) -> None:
    built = fence(over(1, 5))
    with monkeypatch.context() as patch:
        patch.setattr(ENGINE, "complete_and_start_action", failing(1, KeyboardInterrupt))
        with pytest.raises(KeyboardInterrupt):
            built.fire(limbs(20))
    assert built.fire(limbs(8)) == {(0, 6), (0, 7)}


@pytest.mark.parametrize("place", [0, 1, 5])
@pytest.mark.parametrize("broken", [',"kind":"limb","n":1e-05}', ',"kind":"limb","n":}', ',"kind":"limb"', "]"])
def test_a_fact_that_does_not_parse_is_not_evaluated(broken: str, place: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """The engine ends such a batch without any error; only the missing end sentinel tells."""
    built = fence(over(1, 5))
    facts = limbs(6)
    real = Definitions.write
    with monkeypatch.context() as patch:
        patch.setattr(
            Definitions,
            "write",
            lambda self, all_: [
                broken if each is facts[place] else text for each, text in zip(all_, real(self, all_), strict=True)
            ],
        )
        with pytest.raises(NotEvaluated):
            built.fire(facts)
    assert built.fire(limbs(8)) == {(0, 6), (0, 7)}


def test_the_second_chunk_has_its_own_sentinels(monkeypatch: pytest.MonkeyPatch) -> None:
    built = fence(over(1, 5))
    facts = limbs(600)
    real = Definitions.write
    with monkeypatch.context() as patch:
        patch.setattr(
            Definitions,
            "write",
            lambda self, all_: [
                "]" if each is facts[550] else text for each, text in zip(all_, real(self, all_), strict=True)
            ],
        )
        with pytest.raises(NotEvaluated):
            built.fire(facts)


def test_a_full_stack_is_not_evaluated(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the compiler's grouping the engine gives error 303 and drops the fact's rules."""
    monkeypatch.setattr(compiler, "CROWDED", 10_000)
    monkeypatch.setattr(compiler, "MAX_STACK", 10_000)
    built = fence(*(over(number, -number) for number in range(70)))
    with pytest.raises(NotEvaluated):
        built.fire(limbs(1))
    assert built.fire([fact("limb", {"n": -10_000})]) == set()


def test_a_duplicated_message_id_is_not_evaluated(monkeypatch: pytest.MonkeyPatch) -> None:
    built = fence(over(1, 5))
    monkeypatch.setattr(fence_module, "_IDS", (fence_module._IDS[0],) * 2)
    with pytest.raises(NotEvaluated):
        built.fire(limbs(2))


def test_colliding_message_ids_stop_the_build(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fence_module, "hashes_differ", lambda names: False)
    with pytest.raises(EngineError, match="message ids"):
        fence(over(1, 5))


def test_rules_the_engine_refuses_stop_the_build() -> None:
    with pytest.raises(EngineError, match="refused the rules"):
        Fence(Definitions(({"$mt": {"n": "["}},), {}))


# -- what may be sent ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("attribute", "value"),
    [
        ("n", True), ("n", 1.0), ("n", "1"), ("n", 2**53 + 1), ("n", -(2**53) - 1), ("n", [1]),
        ("flag", 1), ("flag", 0), ("flag", "true"), ("flag", 1.0),
        ("side", "up"), ("side", True), ("side", 1), ("side", ["left"]), ("side", 'left","n":9,"x":"'),
    ],
)  # fmt: skip
def test_a_wrong_type_is_refused_without_its_value(attribute: str, value: Any) -> None:
    rule = bound(
        1, "limb", ALWAYS, group({"any": [{"n": {"gt": 5}}, {"flag": {"eq": True}}, {"side": {"eq": "left"}}]})
    )
    built = fence(rule)
    with pytest.raises(EngineError) as caught:
        built.fire([fact("limb", {attribute: value})])
    assert str(caught.value).startswith(f"limb.{attribute}: ")
    assert not isinstance(caught.value, NotEvaluated)
    assert built.fire([fact("limb", {"n": 6})]) == {(0, 0)}


def test_unknown_kind_and_unknown_state_are_refused() -> None:
    built = fence(bound(1, "limb", ALWAYS, Group("all", (Leaf("n", "missing", True),))))
    with pytest.raises(EngineError):
        built.fire([fact("belt")])
    with pytest.raises(EngineError, match="limb.n"):
        built.fire([fact("limb", n="lost")])


def test_only_what_rules_use_is_sent() -> None:
    rule = bound(1, "limb", ALWAYS, group({"any": [{"n": {"gt": 5}}, {"m": {"declined": True}}]}))
    definitions = compile_rules([rule], CATALOGUE)
    about = fact("limb", {"n": 7, "flag": True, "side": "left"}, m="declined")
    assert definitions.write([about]) == [',"kind":"limb","n":7,"m_state":"declined"}']
    assert definitions.write([fact("dose", {"n": 7})]) == [',"kind":"dose"}']


def test_a_value_that_equals_nothing_asked_for_is_not_sent() -> None:
    rules = [
        bound(1, "limb", ALWAYS, group({"any": [{"m": {"declined": True}}, {"flag": {"eq": False}}]})),
        bound(2, "limb", ALWAYS, group({"all": [{"side": {"eq": "left"}}]})),
    ]
    definitions = compile_rules(rules, CATALOGUE)

    def sent(**values: object) -> str:
        return definitions.write([fact("limb", values)])[0]

    assert [sent(m=3), sent(flag=True), sent(side="right")] == [',"kind":"limb"}'] * 3
    assert sent(flag=False, side="left") == ',"kind":"limb","flag":false,"side":"left"}'
    other = compile_rules([bound(1, "limb", ALWAYS, group({"all": [{"side": {"ne": "left"}}]}))], CATALOGUE)
    assert other.write([fact("limb", {"side": "right"})]) == [',"kind":"limb","side":"right"}']
    with pytest.raises(EngineError, match="limb.side"):
        sent(side="above")


def test_groups_of_one_and_nested_all_are_opened() -> None:
    applies = group({"all": [{"any": [{"n": {"gt": 1}}]}, {"all": [{"m": {"ge": 0}}, {"n": {"gt": 1}}]}]})
    fails = group({"any": [{"n": {"lt": 9}}, {"all": [{"m": {"eq": 1}}, {"flag": {"ne": True}}]}]})
    (condition,) = compile_rules([bound(1, "limb", applies, fails)], CATALOGUE).conditions
    second = {"$and": [{"$eq": {"m": 1}}, {"$neq": {"flag": True}}]}
    assert condition == {
        "$and": [{"kind": "limb"}, {"$gt": {"n": 1}}, {"$gte": {"m": 0}}, {"$or": [{"$lt": {"n": 9}}, second]}]
    }

    (condition,) = compile_rules([bound(1, "limb", fails, applies)], CATALOGUE).conditions
    assert [next(iter(term)) for term in condition["$and"]] == ["kind", "$gt", "$gte", "$or"]


# -- limits refused when compiling --------------------------------------------------------------------------------


def refused(rules: Sequence[BoundRule], catalogue: Catalogue = CATALOGUE) -> str:
    with pytest.raises(EngineError) as caught:
        compile_rules(rules, catalogue)
    return str(caught.value)


@pytest.mark.parametrize(
    "leaf",
    [
        Leaf("n", "gt", True), Leaf("n", "eq", "1"), Leaf("n", "eq", 2**53 + 1), Leaf("n", "eq", None),
        Leaf("flag", "eq", 1), Leaf("flag", "lt", True), Leaf("side", "gt", "left"), Leaf("side", "eq", "up"),
        Leaf("n", "missing", False), Leaf("n", "missing", 1), Leaf("n", "like", 1), Leaf("absent", "eq", 1),
        Leaf("n", "gt", None, "limit"), Leaf("n", "gt", 1, "limit"),
    ],
)  # fmt: skip
def test_leaves_that_cannot_be_right(leaf: Leaf) -> None:
    assert refused([bound(7, "limb", ALWAYS, Group("all", (leaf,)))]).startswith("RR-0007")


def test_shapes_that_cannot_be_right() -> None:
    leaf = Leaf("n", "gt", 1)
    assert "empty" in refused([bound(1, "limb", ALWAYS, Group("any", ()))])
    assert "empty" in refused([bound(1, "limb", ALWAYS, Group("any", (leaf, Group("all", ()))))])
    deep = Group("all", (Group("any", (leaf, Group("all", (leaf, leaf)))),))
    assert "deep" in refused([bound(1, "limb", ALWAYS, deep)])
    assert "catalogue" in refused([over(1, 1, "belt")])
    assert "one id" in refused([over(1, 1), over(1, 2)])


def test_groups_per_condition() -> None:
    def with_groups(count: int) -> BoundRule:
        return bound(1, "limb", ALWAYS, Group("all", tuple(
            Group("any", (Leaf("n", "gt", -number), Leaf("m", "gt", -number))) for number in range(count)
        )))  # fmt: skip

    most = with_groups(compiler.MAX_GROUPS - 1)  # and the condition's own
    assert fence(most).fire([fact("limb", {"n": 1, "m": 1})]) == {(0, 0)}
    assert "groups" in refused([with_groups(compiler.MAX_GROUPS)])


def test_list_limits() -> None:
    at_most = compiler.MAX_SAME_CONDITION
    same = [over(number, 5) for number in range(at_most)]
    assert fence(*same).fire([fact("limb", {"n": 6})]) == {(number, 0) for number in range(at_most)}
    assert "one condition" in refused([*same, over(at_most, 5)])
    alternatives = [bound(number, "limb", ALWAYS, group({"any": [{"n": {"gt": 5}}, {"m": {"gt": number}}]}))
                    for number in range(1000)]  # fmt: skip
    assert refused([*alternatives, over(1001, 1)]) == "too many rules"
    one = bound(1, "limb", ALWAYS, Group("any", tuple(Leaf("n", "gt", -number) for number in range(70))))
    assert "for one fact" in refused([one])


def test_lists_that_would_run_over_in_the_engine_never_reach_it() -> None:
    """Numbers of ``rete.c``: 128 alternatives on one node and 256 rules on one condition end the process, 512 conditions
    under one node never return, and with 64 waiting it evaluates nothing.
    """
    repeated = bound(1, "limb", ALWAYS, Group("any", (*(Leaf("n", "gt", 5),) * 200, Leaf("m", "gt", 5))))
    assert fence(repeated).fire([fact("limb", {"n": 6}), fact("limb", {"m": 6}), fact("limb", {"n": 5})]) == {
        (0, 0),
        (0, 1),
    }
    shared = [bound(n, "limb", ALWAYS, group({"any": [{"n": {"gt": 5}}, {"m": {"gt": n}}]})) for n in range(200)]
    assert fence(*shared).fire([fact("limb", {"n": 6, "m": -1})]) == {(number, 0) for number in range(200)}

    def equal(count: int) -> list[BoundRule]:
        return [bound(n, "limb", ALWAYS, Group("all", (Leaf("n", "eq", n),))) for n in range(count)]

    assert fence(*equal(400)).fire([fact("limb", {"n": 399})]) == {(399, 0)}
    assert refused(equal(512)) == "too many different conditions in one place"
    assert refused([over(number, 5) for number in range(256)]) == "too many rules with one condition"


@pytest.mark.parametrize("name", ["id", "sid", "kind", "g_", "A", "a.b", "a-b", "", "a" * 65, "1a", "a\n", "\u00e4"])
def test_attribute_names(name: str) -> None:
    assert "attribute" in refused([], {"limb": {name: INT}})


@pytest.mark.parametrize("kind", ["begin_", "end_", "Limb", "", "a b"])
def test_kind_names(kind: str) -> None:
    assert "kind" in refused([], {kind: {}})


@pytest.mark.parametrize("word", ["", "a b", 'a"b', "a\\b", "\u00e4", "a\n", "w" * 65])
def test_words(word: str) -> None:
    assert "word" in refused([], {"limb": {"side": words("left", word)}})


def test_catalogue_types_and_sizes() -> None:
    assert "type" in refused([], {"limb": {"n": Attribute("float")}})
    assert "kinds" in refused([], {f"k{number}": {} for number in range(201)})
    wide: Catalogue = {"limb": {f"a{number}": INT for number in range(201)}}
    assert "attributes" in refused([over(number, 1, attribute=f"a{number}") for number in range(201)], wide)


def test_a_state_name_that_is_an_attribute() -> None:
    catalogue: Catalogue = {"limb": {"n": INT, "n_state": INT}}
    assert "n_state" in refused([bound(1, "limb", ALWAYS, Group("all", (Leaf("n", "missing", True),)))], catalogue)


@pytest.mark.parametrize(("text", "value"), [("", 0x811C9DC5), ("a", 0xE40C292C), ("foobar", 0xBF9CF968)])
def test_hash_matches_published_vectors(text: str, value: int) -> None:
    """IETF draft-eastlake-fnv, appendix of test vectors for 32-bit FNV-1a."""
    assert fnv1a_32(text) == value


@pytest.mark.parametrize(("one", "other"), [("costarring", "liquid"), ("declinate", "macallums")])
def test_colliding_names_are_refused(one: str, other: str) -> None:
    """Known 32-bit FNV-1a collisions of English words; to the engine the two names would be one."""
    assert not hashes_differ([one, other])
    assert "hash" in refused([], {"limb": {one: INT}, "dose": {other: INT}})


def test_a_state_name_that_collides_is_refused() -> None:
    assert not hashes_differ(["ccrh", "usws_state"])
    assert "hash" in refused([], {"limb": {"ccrh": INT}, "dose": {"usws": INT}})


# -- the decider --------------------------------------------------------------------------------------------------


def decider(*rules: BoundRule) -> Decider:
    return Decider(rules, CATALOGUE, {"limb": "clear", "dose": "not_applicable"})


def test_a_kind_without_a_settled_outcome_stops_the_build() -> None:
    with pytest.raises(EngineError, match="RR-0001"):
        Decider([over(1, 1)], CATALOGUE, {})


@pytest.mark.parametrize(
    ("change", "disputed"),
    [({(0, 7)}, {7}), ({(0, 2)}, {2}), ({(0, 2), (0, 6)}, {2, 6}), ({(0, 8)}, {8})],
)
def test_a_disagreement_is_an_error_and_disputed(
    change: set[tuple[int, int]], disputed: set[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The engine misses a finding, fires one too many, does both, or fires on a fact of another kind."""
    built = decider(over(1, 5), over(2, 6), over(3, 0, "dose"))
    real = Fence.fire
    monkeypatch.setattr(Fence, "fire", lambda self, facts, checkpoint: real(self, facts) ^ change)
    first, second, third = built.decide(FactSheet((*limbs(8), fact("dose", {"n": 0})), {}))
    assert first.outcome == "error"
    assert first.disputed == disputed
    answers = dict(first.by_fact)
    assert {index for index, outcome in answers.items() if outcome == "error"} == disputed
    assert {answers[index] for index in set(range(6)) - disputed} == {"clear"}
    assert list(answers) == sorted(answers)
    assert (second.outcome, second.disputed) == ("finding", frozenset())
    assert (third.outcome, third.disputed) == ("clear", frozenset())


def test_an_engine_that_fires_for_a_kind_without_facts_is_disputed(monkeypatch: pytest.MonkeyPatch) -> None:
    built = decider(over(1, 5), over(2, 5, "dose"))
    monkeypatch.setattr(Fence, "fire", lambda self, facts, checkpoint: {(1, 0)})
    _, dose = built.decide(FactSheet((fact("limb", {"n": 0}),), {"dose": "recorded"}))
    assert (dose.outcome, dose.by_fact) == ("error", ((0, "error"),))
    assert dose.disputed == {0}


class Faulty(dict[str, Any]):
    """Values that fail when they are asked for ``m`` once the engine has answered."""

    answered = False

    def get(self, name: str, default: Any = None) -> Any:
        if self.answered and name == "m":
            raise RuntimeError("8675309")
        return super().get(name, default)


def test_an_evaluator_that_fails_is_an_error_and_the_rest_goes_on(monkeypatch: pytest.MonkeyPatch) -> None:
    real = Fence.fire

    def fire(self: Fence, facts: Sequence[Fact], checkpoint: object) -> set[tuple[int, int]]:
        fired = real(self, facts)
        monkeypatch.setattr(Faulty, "answered", True)
        return fired

    monkeypatch.setattr(Fence, "fire", fire)
    built = decider(over(1, 5, attribute="m"), over(2, 5))
    facts = (fact("limb", {"m": 9}), Fact("limb", "", (), Faulty(n=9, m=0)), Fact("limb", "", (), Faulty(m=9)))
    first, second = built.decide(FactSheet(facts, {}))
    assert first.by_fact == ((0, "finding"), (1, "error"), (2, "error"))
    assert first.disputed == {2}  # the engine fired on it
    assert first.outcome == "error"
    assert second.by_fact == ((0, "not_assessable"), (1, "finding"), (2, "not_assessable"))


def test_a_slip_of_the_fast_form_is_a_dispute() -> None:
    """Engine and closures agree against it: still told, never mended in silence."""
    built = decider(over(1, 5))
    kind = built._kinds["limb"]
    built._kinds["limb"] = generated.Kind("", {}, kind.whole, replace(kind.whole, says=lambda value, state: (0,)))
    (decision,) = built.decide(FactSheet(tuple(limbs(8)), {}))
    assert (decision.outcome, decision.disputed) == ("error", {6, 7})


def test_a_rules_outcome_is_the_first_of_its_facts() -> None:
    rule = bound(1, "limb", Group("all", (Leaf("flag", "eq", True),)), Group("all", (Leaf("n", "gt", 5),)))
    finding, clear = fact("limb", {"flag": True, "n": 6}), fact("limb", {"flag": True, "n": 5})
    open_, aside = fact("limb", {"flag": True}), fact("limb", {"flag": False})
    built = decider(rule)
    for facts, outcome in (
        ((aside, clear, open_, finding), "finding"),
        ((aside, clear, open_), "not_assessable"),
        ((aside, clear), "clear"),
        ((aside,), "not_applicable"),
    ):
        (decision,) = built.decide(FactSheet(facts, {}))
        assert decision.outcome == outcome
        assert [index for index, _ in decision.by_fact] == list(range(len(facts)))


def test_self_test_reports_what_does_not_hold(monkeypatch: pytest.MonkeyPatch) -> None:
    built = decider(over(1, 5), over(2, 5, "dose"))
    high, low = fact("limb", {"n": 6}), fact("limb", {"n": 5})
    good = [("RR-0001", high, "finding"), ("RR-0001", low, "clear"), ("RR-0001", fact("limb"), "not_assessable")]
    assert built.self_test(good) == []
    assert built.self_test([]) == ["no examples"]
    failures = built.self_test([
        *good, ("RR-0001", low, "finding"), ("RR-0009", low, "clear"), ("RR-0002", low, "clear"),
        ("RR-0001", fact("limb", {"n": "6"}), "finding"),
    ])  # fmt: skip
    assert len(failures) == 4
    monkeypatch.setattr(Fence, "fire", lambda self, facts, checkpoint: set())
    assert built.self_test(good) == [
        "RR-0001: an example should be finding, got: engine and evaluator disagree",
    ]

    def unfinished(self: Fence, facts: Sequence[Fact], checkpoint: object) -> set[tuple[int, int]]:
        raise NotEvaluated("the engine did not finish the evaluation")

    monkeypatch.setattr(Fence, "fire", unfinished)
    assert len(built.self_test(good)) == 1


def shared() -> tuple[Decider, list[FactSheet]]:
    rng = random.Random(11)
    catalogue = random_catalogue(rng, 6)
    rules = random_rules(rng, catalogue, 60)
    literals = literals_of(rules)
    sheets = [random_sheet(rng, catalogue, literals, most=60) for _ in range(40)]
    return Decider(rules, catalogue, random_when_none(rng, catalogue)), sheets


def test_threads_share_one_decider() -> None:
    built, sheets = shared()
    expected = [list(built.decide(sheet)) for sheet in sheets]
    with ThreadPoolExecutor(8) as pool:
        answers = [list(decisions) for decisions in pool.map(built.decide, sheets * 6)]
    assert answers == expected * 6


def test_two_rulesets_side_by_side() -> None:
    one, other = fence(over(1, 5)), fence(over(1, 2))
    for _ in range(3):
        assert one.fire(limbs(7)) == {(0, 6)}
        assert other.fire(limbs(4)) == {(0, 3)}


def test_fork_after_the_build() -> None:
    built, sheets = shared()
    expected = [list(built.decide(sheet)) for sheet in sheets]
    children = []
    for _ in range(3):
        child = os.fork()
        if not child:
            status = 1
            try:
                status = 0 if [list(built.decide(sheet)) for sheet in sheets] == expected else 2
            finally:
                os._exit(status)
        children.append(child)
    assert [list(built.decide(sheet)) for sheet in sheets] == expected
    assert [os.waitpid(child, 0)[1] for child in children] == [0, 0, 0]


_HEAPS = """
import ctypes, sys, threading
from service import memory

if sys.argv[1] == "tuned":
    memory.keep_freed_memory()
libc = ctypes.CDLL(None)
libc.malloc.restype = libc.fopen.restype = ctypes.c_void_p
together = threading.Barrier(4)

def ask():
    libc.malloc(100_000)
    together.wait()

threads = [threading.Thread(target=ask) for _ in range(4)]
for thread in threads:
    thread.start()
for thread in threads:
    thread.join()
out = ctypes.c_void_p(libc.fopen(b"/dev/stdout", b"w"))
libc.malloc_info(0, out)
libc.fclose(out)
"""


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="the allocator of glibc")
def test_threads_share_one_heap() -> None:
    """malloc_info(3) lists the heaps; without the setting each of the four threads has its own beside the main one."""
    heaps = {
        how: subprocess.run(
            [sys.executable, "-c", _HEAPS, how], capture_output=True, check=True, timeout=60
        ).stdout.count(b"<heap nr=")
        for how in ("tuned", "untuned")
    }
    assert heaps["tuned"] == 1 < heaps["untuned"]
