"""A rule that engine and evaluator see differently is an error shown aloud; an engine that stops gives no review."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pytest

from service.engine import generated
from service.engine.compile import EngineError
from service.engine.fence import Fence, NotEvaluated
from service.facts.fact import Fact
from service.review.build import Wanted
from tests.support.episodes import encoded
from tests.support.pipeline import demo, pipeline
from tests.support.reviews import instances

NAME = "night-two-crew-late-sedation"
RULE = "RR-1307"
PROFILE = "default"


def number_of(rule_id: str) -> int:
    return next(number for number, rule in enumerate(pipeline().rulebook.rules) if rule.id == rule_id)


def run() -> Any:
    return pipeline().review(encoded(demo(NAME)), "application/json", PROFILE, Wanted(accounts=True))


def change_firing(monkeypatch: pytest.MonkeyPatch, change: Any) -> None:
    fire = Fence.fire
    monkeypatch.setattr(Fence, "fire", lambda self, facts, checkpoint: change(fire(self, facts), facts))


def test_a_rule_the_engine_does_not_fire(monkeypatch: pytest.MonkeyPatch) -> None:
    before = run().document
    number = number_of(RULE)
    change_firing(monkeypatch, lambda fired, facts: {(n, i) for n, i in fired if n != number})
    review = run()
    after = review.document
    assert review.disagreements == (RULE,)
    assert review.outcomes[RULE] == "error"
    disputed = [one for one in instances(after) if one.get("disputed")]
    assert [one["rule"]["id"] for one in disputed] == [RULE] * 4, "the findings are shown all the same"
    assert not any(one["acceptable"] for one in disputed)
    assert [one["fingerprint"] for one in instances(after)] == [one["fingerprint"] for one in instances(before)]
    assert after["summary"]["findings"] == before["summary"]["findings"], "and counted all the same"
    assert after["summary"]["error"] == 1
    assert after["summary"]["finding"] == before["summary"]["finding"] - 1
    notice = next(n for n in after["notices"] if n["code"] == "deciders-disagree")
    assert notice["severity"] == "critical"
    assert RULE in notice["text"]
    assert next(a for a in after["accounts"] if a["rule"] == RULE) == {
        "rule": RULE,
        "outcome": "error",
        "facts": {"error": 4},
    }


def test_one_fact_of_a_rule_the_engine_does_not_fire(monkeypatch: pytest.MonkeyPatch) -> None:
    """The other three facts keep their undisputed finding."""
    number = number_of(RULE)
    change_firing(monkeypatch, lambda fired, facts: fired - {min(pair for pair in fired if pair[0] == number)})
    after = run().document
    disputed = [bool(one.get("disputed")) for one in instances(after) if one["rule"]["id"] == RULE]
    assert sorted(disputed) == [False, False, False, True]
    assert next(a for a in after["accounts"] if a["rule"] == RULE)["facts"] == {"error": 1, "finding": 3}


def test_a_rule_the_engine_fires_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """RR-1054 (time a limb was secured is not charted) is clear here; the engine alone says otherwise."""
    number = number_of("RR-1054")

    def change(fired: set[tuple[int, int]], facts: Sequence[Fact]) -> set[tuple[int, int]]:
        return fired | {(number, next(i for i, fact in enumerate(facts) if fact.kind == "device"))}

    change_firing(monkeypatch, change)
    after = run().document
    assert [one["rule"]["id"] for one in instances(after) if one.get("disputed")] == ["RR-1054"]
    assert after["summary"]["error"] == 1


def test_a_disputed_finding_cannot_be_accepted(monkeypatch: pytest.MonkeyPatch) -> None:
    number = number_of(RULE)
    mark = next(one["fingerprint"] for one in instances(run().document) if one["rule"]["id"] == RULE)
    change_firing(monkeypatch, lambda fired, facts: {(n, i) for n, i in fired if n != number})
    document = demo(NAME) | {"accepted": [{"fingerprint": mark, "reason": "Agreed."}]}
    after = pipeline().review(encoded(document), "application/json", PROFILE).document
    assert after["accepted"] == []
    assert mark in {one["fingerprint"] for one in instances(after)}


def test_an_evaluator_that_raises_is_an_error_of_that_rule(monkeypatch: pytest.MonkeyPatch) -> None:
    """Both deciders are told apart: the engine's firing is kept as a disputed finding, no other rule suffers."""
    decider = pipeline()._deciders[PROFILE]
    number = number_of(RULE)

    def broken(*_: object) -> Any:
        raise ZeroDivisionError("a canary that must not show")

    compiled: list[Any] = list(decider._compiled)
    compiled[number] = _Broken(broken)
    monkeypatch.setattr(decider, "_compiled", tuple(compiled))
    about = decider.rules[number].rule.about
    part = replace(decider._kinds[about].whole, says=broken)
    monkeypatch.setitem(decider._kinds, about, generated.Kind("", {}, part, part))
    review = run()
    after = review.document
    assert review.outcomes[RULE] == "error"
    assert after["summary"]["error"] == 1
    assert any(n["severity"] == "critical" and RULE in n["text"] for n in after["notices"])
    assert len([one for one in instances(after) if one["rule"]["id"] == RULE and one["disputed"]]) == 4
    assert "canary" not in str(after)


class _Broken:
    """Stands in for a compiled rule."""

    def __init__(self, outcome: Any) -> None:
        self.outcome = outcome


@pytest.mark.parametrize("messages", [[], ["cut"]])
def test_an_engine_that_does_not_finish_gives_no_review(monkeypatch: pytest.MonkeyPatch, messages: list[str]) -> None:
    """No result, and the next evaluation is right again."""
    before = run().document
    drain = Fence._drain
    with monkeypatch.context() as broken:
        broken.setattr(Fence, "_drain", lambda self, text: drain(self, text)[:-1] if messages else [])
        with pytest.raises(NotEvaluated):
            run()
    assert run().document == before


def test_an_engine_exception_gives_no_review_and_leaks_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    def raising(self: Fence, text: str) -> list[str]:
        raise EngineError("canary " + text[:40])

    with monkeypatch.context() as broken:
        broken.setattr(Fence, "_drain", raising)
        with pytest.raises(NotEvaluated) as caught:
            run()
    assert "canary" not in str(caught.value)
    assert caught.value.__cause__ is None
    assert caught.value.__context__ is None
