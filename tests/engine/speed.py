"""What one sheet costs in the engine and in the evaluator: ``python -m tests.engine.speed``.

Prints the median of several rounds over the same sheets, in microseconds a
sheet, for a made-up rulebook; CPU time of this process only.
"""

from __future__ import annotations

import argparse
import random
import statistics
import time
from collections.abc import Callable

from service.engine.decide import Decider
from service.engine.evaluator import compile_rule
from service.facts.fact import FactSheet
from tests.engine.sheets import random_fact
from tests.engine.synthetic import subject


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--facts", type=int, default=70)
    parser.add_argument("--sheets", type=int, default=50)
    parser.add_argument("--rounds", type=int, default=9)
    options = parser.parse_args()
    decider, catalogue, literals = subject()
    rng = random.Random(1)
    kinds = sorted(catalogue)
    sheets = [
        FactSheet(
            tuple(random_fact(rng, rng.choice(kinds), catalogue, literals) for _ in range(options.facts)),
            dict.fromkeys(kinds, "recorded"),
        )
        for _ in range(options.sheets)
    ]
    fence = decider._fence
    evaluate = _evaluator(decider)
    decisions = [decision for sheet in sheets for decision in decider.decide(sheet)]
    hits = sum(outcome == "finding" for decision in decisions for _, outcome in decision.by_fact)
    pairs = sum(len(decision.by_fact) for decision in decisions)
    print(f"{len(decider.rules)} rules, {options.facts} facts, a sheet has on average", end=" ")
    print(f"{pairs / len(sheets):.0f} pairs of rule and fact, {hits / len(sheets):.0f} findings")
    for name, run in (
        ("engine", lambda sheet: fence.fire(sheet.facts)),
        ("evaluator", evaluate),
        ("decide (both, compared)", decider.decide),
    ):
        print(f"{name:24} {_median(run, sheets, options.rounds):7.0f} us a sheet")


def _evaluator(decider: Decider) -> Callable[[FactSheet], object]:
    by_kind: dict[str, list[Callable[..., str]]] = {}
    for bound in decider.rules:
        by_kind.setdefault(bound.rule.about, []).append(compile_rule(bound).outcome)

    def run(sheet: FactSheet) -> object:
        return [outcome(fact) for fact in sheet.facts for outcome in by_kind.get(fact.kind, ())]

    return run


def _median(run: Callable[[FactSheet], object], sheets: list[FactSheet], rounds: int) -> float:
    costs = []
    for _ in range(rounds):
        start = time.process_time()
        for sheet in sheets:
            run(sheet)
        costs.append((time.process_time() - start) / len(sheets) * 1e6)
    return statistics.median(costs)


if __name__ == "__main__":
    main()
