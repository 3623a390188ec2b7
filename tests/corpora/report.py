"""What the rulebook finds in the corpora: ``python -m tests.corpora.report [SEED]``.

Clean episodes and honest bad starts measure noise; injected defects measure
precision and recall by category; all together show rules that never fire,
always fire together, or say the same thing about the same place.
"""

from __future__ import annotations

import functools
import re
import sys
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import combinations
from typing import Any

from service.review.instances import Instance
from tests.corpora.defects import DEFECTS, Injected, several, singles
from tests.corpora.model import Document, bad_starts, clean
from tests.support.episodes import encoded
from tests.support.pipeline import pipeline

CLEAN, STARTS, SEVERAL = 60, 8, 80
_SMALL_WORDS = re.compile(
    r"\b(?:a|an|the|of|in|on|or|and|is|not|no|with|at|for|to|it|its|was|were|charted|this|that)\b"
)


@dataclass
class Figures:
    """Decisions of one category: a rule that had to find something, and what was found."""

    right: int = 0
    missed: list[str] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)

    @property
    def recall(self) -> float:
        """Share of the labels that were found."""
        return self.right / (self.right + len(self.missed)) if self.right + len(self.missed) else 1.0

    @property
    def precision(self) -> float:
        """Share of the new findings that a label asked for."""
        return self.right / (self.right + len(self.wrong)) if self.right + len(self.wrong) else 1.0


@dataclass
class Report:
    """Everything measured."""

    clean: Counter[str] = field(default_factory=Counter)
    loud: list[str] = field(default_factory=list)
    starts: Counter[str] = field(default_factory=Counter)
    by: dict[str, Figures] = field(default_factory=lambda: defaultdict(Figures))
    fired: dict[str, set[int]] = field(default_factory=lambda: defaultdict(set))
    same: Counter[tuple[str, str]] = field(default_factory=Counter)
    errors: list[str] = field(default_factory=list)
    episodes: int = 0

    def see(self, document: Document, profile: str = "default") -> dict[str, dict[str, Any]]:
        """Review one episode; its findings by rule."""
        review = pipeline().review(encoded(document), "application/json", profile)
        self.episodes += 1
        self.errors += [rule for rule, outcome in review.outcomes.items() if outcome == "error"]
        for rule in review.found:
            self.fired[rule].add(self.episodes)
        self._same([one for instances in review.found.values() for one in instances])
        found = {finding["rule"]["id"]: finding for finding in review.document["findings"]}
        return {rule: found.get(rule, {"severity": "info"}) for rule in review.found}

    def _same(self, instances: list[Instance]) -> None:
        places = defaultdict(list)
        for one in instances:
            places[one.entry.rule.phase, tuple(sorted(place.pointer for place in one.places))].append(one.entry.rule)
        for group in places.values():
            for one, other in combinations(group, 2):
                pair = tuple(sorted((one.id, other.id)))
                if pair[0] != pair[1] and alike(one.title, other.title):
                    self.same[pair] += 1

    def inject(self, episode: Injected) -> None:
        """Count one injected episode against its labels."""
        before, after = self.see(episode.clean), self.see(episode.faulty)
        rules = {rule.id: rule for rule in pipeline().rulebook.rules}
        name = " + ".join(episode.names)
        for rule_id in sorted(episode.expected | set(after) - set(before)):
            severity = rules[rule_id].severity
            for figures in (self.by["all"], self.by[rules[rule_id].category], self.by[severity]):
                if rule_id in episode.expected and rule_id in after and rule_id not in before:
                    figures.right += 1
                elif rule_id in episode.expected:
                    figures.missed.append(f"{rule_id}: {name}")
                elif rule_id not in episode.may:
                    figures.wrong.append(f"{rule_id}: {name}")

    def together(self, least: int = 4) -> list[tuple[str, str]]:
        """Pairs of rules that fire in exactly the same episodes, in at least so many."""
        by_episodes = defaultdict(list)
        for rule_id, episodes in sorted(self.fired.items()):
            if len(episodes) >= least:
                by_episodes[frozenset(episodes)].append(rule_id)
        return [pair for group in by_episodes.values() for pair in combinations(group, 2)]

    def never(self) -> list[str]:
        """Rules that found nothing anywhere."""
        return sorted({rule.id for rule in pipeline().rulebook.rules} - set(self.fired))


def alike(one: str, other: str) -> bool:
    """Whether two titles share half of their words, small words left out."""
    first, second = (set(re.findall(r"[a-z0-9]+", _SMALL_WORDS.sub("", title.lower()))) for title in (one, other))
    return len(first & second) * 2 >= len(first | second)


@functools.cache
def report(seed: str = "") -> Report:
    """Run all corpora once. Another ``seed`` draws other scenes for the same defects."""
    out = Report()
    for case in clean(CLEAN):
        for rule_id, finding in out.see(case.document, case.profile).items():
            out.clean[finding["severity"]] += 1
            if finding["severity"] != "info":
                out.loud.append(f"{case.name} ({case.profile}): {rule_id}")
    for case in bad_starts(STARTS):
        out.starts.update(f["severity"] for f in out.see(case.document, case.profile).values())
    for episode in [*singles(seed), *several(SEVERAL, seed)]:
        out.inject(episode)
    return out


def lines(seed: str = "") -> Iterator[str]:
    """The report as text."""
    made = report(seed)
    total = len(pipeline().rulebook.rules)
    yield f"{made.episodes} reviews, {len(DEFECTS)} kinds of defect, {len(made.fired)} of {total} rules fired, {len(made.errors)} errors"
    yield f"clean: {CLEAN} episodes, findings {dict(made.clean)}"
    yield f"bad starts: {STARTS * 4} episodes, findings {dict(made.starts)}"
    for name, figures in made.by.items():
        yield f"{name:14} precision {figures.precision:.3f}  recall {figures.recall:.3f}  ({figures.right} right, {len(figures.wrong)} wrong, {len(figures.missed)} missed)"
    yield from (f"  missed {text}" for text in made.by["all"].missed)
    yield from (f"  wrong  {text}" for text in made.by["all"].wrong)
    yield f"alike and about the same place: {dict(made.same) or 'none'}"
    yield f"always together: {made.together() or 'none'}"
    yield f"never fired: {' '.join(made.never())}"


if __name__ == "__main__":
    print("\n".join(lines(*sys.argv[1:2])))
