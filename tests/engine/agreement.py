"""Engine and evaluator agree: ``python -m tests.engine.agreement``, with ``--whole`` before a release.

Half of the facts for the shipped rules are random; the other half start from a
rule's own example and have a few attributes changed, because a random fact
seldom meets a rule with six conditions. Either way both deciders get the same
sheet, and one disagreement ends the run. Without ``--whole`` it is the sample
that the tests take.
"""

from __future__ import annotations

import argparse
import random
from collections import Counter

from service.engine.decide import Decider
from service.facts.fact import Fact, FactSheet
from service.pipeline import bind_defaults
from service.rulebook.examples import fact_examples
from tests.engine.sheets import UNKNOWN_STATES, Literals, literals_of, random_fact, random_sheet
from tests.engine.synthetic import random_catalogue, random_rules, random_when_none
from tests.support.pipeline import pipeline

#: Made-up rulebooks, sheets for each of them, sheets for the shipped rules.
SAMPLE, WHOLE = (8, 50, 2_000), (40, 100, 20_000)
#: A made-up sheet gives each outcome at least this many times, on average.
OFTEN = 5
_MOST = 8
_SEED = 20_000


def made_up(rulebooks: int, sheets: int) -> Counter[str]:
    """Random rules over random sheets: how often each outcome came up."""
    seen: Counter[str] = Counter()
    for seed in range(rulebooks):
        rng = random.Random(seed)
        catalogue = random_catalogue(rng, rng.choice((1, 2, 5, 12)))
        rules = random_rules(rng, catalogue, rng.randint(5, 90))
        literals = literals_of(rules)
        decider = Decider(rules, catalogue, random_when_none(rng, catalogue))
        for _ in range(sheets):
            sheet = random_sheet(rng, catalogue, literals, most=30, unknown=rng.choice((0.0, 0.1, 0.4)))
            for decision in decider.decide(sheet):
                assert not decision.disputed, (seed, decision.bound.rule.id)
                seen.update(outcome for _, outcome in decision.by_fact)
    assert not seen["error"]
    return seen


def shipped(sheets: int, seed: int = _SEED) -> Counter[str]:
    """The shipped rules: rule id -> on how many sheets it found something."""
    book = pipeline().rulebook
    words = book.vocabulary
    rules = bind_defaults(book)
    decider = Decider(rules, words.catalogue, words.when_none)  # type: ignore[arg-type]
    literals = literals_of(rules)
    rng = random.Random(seed)
    kinds = sorted(words.catalogue)
    # A rule first and then one of its examples: some rules have sixty, and most have ten.
    examples = [[example.fact for example in fact_examples(rule, words)] for rule in book.rules]
    beginnings = [facts for facts in examples if facts]
    seen: Counter[str] = Counter()
    for number in range(sheets):
        facts = tuple(
            _beside(rng, rng.choice(rng.choice(beginnings)), literals) if rng.random() < 0.5
            else random_fact(rng, rng.choice(kinds), words.catalogue, literals, unknown=0.2)
            for _ in range(rng.randint(0, _MOST))
        )  # fmt: skip
        drawn_from = {kind: rng.choice(("recorded", "recorded", *UNKNOWN_STATES)) for kind in kinds}
        decisions = decider.decide(FactSheet(facts, drawn_from))
        assert not decisions.disputed, (number, [rules[rule].rule.id for rule in decisions.disputed])
        assert "error" not in decisions.outcomes, number
        seen.update(rules[rule].rule.id for rule in decisions.found)
    return seen


def _beside(rng: random.Random, seed: Fact, literals: Literals) -> Fact:
    """An example with up to three attributes moved by one, changed, or made unknown."""
    catalogue = pipeline().rulebook.vocabulary.catalogue
    values, states = dict(seed.values), dict(seed.states)
    for name in rng.sample(sorted(values), min(len(values), rng.randint(0, 3))):
        choice = rng.random()
        if choice < 0.3:
            del values[name]
            states[name] = rng.choice(UNKNOWN_STATES)
        elif choice < 0.7 and catalogue[seed.kind][name].type == "int":
            values[name] = int(values[name]) + rng.choice((-1, 1))
        else:
            other = random_fact(rng, seed.kind, {seed.kind: {name: catalogue[seed.kind][name]}}, literals, unknown=0.0)
            values[name] = other.values[name]
    return Fact(seed.kind, seed.key, (), values, states)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--whole", action="store_true", help="every sheet, some minutes")
    parser.add_argument("--sheets", type=int, help="so many for the shipped rules")
    parser.add_argument("--seed", type=int, default=_SEED, help="of those")
    arguments = parser.parse_args()
    rulebooks, each, real = WHOLE if arguments.whole else SAMPLE
    real = arguments.sheets or real
    print(f"{rulebooks * each:,} sheets of {rulebooks} made-up rulebooks agree: {dict(made_up(rulebooks, each))}")
    rules, seen = pipeline().rulebook.rules, shipped(real, arguments.seed)
    never = sorted(rule.id for rule in rules if not seen[rule.id])
    print(f"{real:,} sheets agree over {len(rules)} shipped rules; never seen firing: {', '.join(never) or 'none'}")


if __name__ == "__main__":
    main()
