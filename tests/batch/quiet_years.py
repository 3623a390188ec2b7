"""How often the first screen of the measures is wrong, and how often it sees a fall.

``python -m tests.batch.quiet_years``: years in which nothing changes, of charts that are told apart by chance alone,
and the share of them in which any line stands on the first screen. ``--fall``: the same years, in one measure of
which the rate falls from 20 % by 60 %, and the share in which the first screen says that it got better.

Two kinds of years. ``independent``: as many measures as the rulebook has, each with a rate of its own; every measure
can be wrong by itself, so this is the worst case. ``charts``: the invented charts of the tests, drawn at random; their
measures hang together as those of real charts do.
"""

from __future__ import annotations

import argparse
import functools
import random
from collections.abc import Callable, Iterator, Sequence
from typing import NamedTuple

import numpy as np

from service.batch import change, definitions
from service.batch.change import Series
from service.rulebook.load import Rulebook
from tests.corpora.model import clean
from tests.corpora.situations import SITUATIONS
from tests.support.episodes import Document, encoded
from tests.support.pipeline import demo, demo_names, pipeline

CHARTS, MONTHS, GROUPS = 1_000, 12, 4
RATE, FALL = 0.2, 0.6
_BASE = 60
_BLANK = 0.15


class Share(NamedTuple):
    """Of so many years, so many with it."""

    years: int
    seen: int

    def text(self) -> str:
        return f"{self.seen} of {self.years} years ({100 * self.seen / self.years:.1f} %)"


#: For one year: by measure, (numerators, denominators) by month, and the same by group.
Year = Iterator[tuple[str, np.ndarray, np.ndarray, np.ndarray, np.ndarray]]


def _rates(number: int, drawn: np.random.Generator) -> np.ndarray:
    """From one in 500 to one half, evenly by order of magnitude."""
    return np.exp(drawn.uniform(np.log(0.002), np.log(0.5), number))


def independent(drawn: np.random.Generator, months: np.ndarray, groups: np.ndarray) -> Year:
    """A year of measures that have nothing to do with one another."""
    by_month, by_group = np.bincount(months, minlength=MONTHS), np.bincount(groups, minlength=GROUPS)
    number = len(measures())
    for index, rate in enumerate(_rates(number, drawn)):
        hit = drawn.random(len(months)) < rate
        yield (
            f"m{index}",
            np.bincount(months[hit], minlength=MONTHS),
            by_month,
            np.bincount(groups[hit], minlength=GROUPS),
            by_group,
        )


@functools.cache
def measures() -> tuple[definitions.Measure, ...]:
    """Those of the rulebook."""
    book: Rulebook = pipeline().rulebook
    return definitions.measures_of(book)


@functools.cache
def _base() -> tuple[np.ndarray, np.ndarray]:
    """(counted, asked) of every measure, a row a chart, of the demo episodes, the situations and the corpus of clean scenes."""
    documents = [demo(name) for name in demo_names()] + [each.document for each in SITUATIONS]
    documents += [case.document for case in clean(_BASE)]
    # As charts are: each leaves some things out.
    blank = random.Random(7)
    documents += [left_out(document, blank) for document in documents]
    rows = []
    for document in documents:
        review = pipeline().review(encoded(document), "application/json", "default")
        found = list(definitions.outcomes(measures(), review))
        rows.append(
            [
                [o == m.counts, o in (definitions.CLEAR, definitions.FINDING)]
                for m, o in zip(measures(), found, strict=True)
            ]
        )
    table = np.array(rows)
    return table[:, :, 0], table[:, :, 1]


def left_out(document: Document, drawn: random.Random) -> Document:
    """The record with some members of its sections left blank."""
    return {
        name: {key: inner for key, inner in value.items() if drawn.random() > _BLANK}
        if isinstance(value, dict)
        else value
        for name, value in document.items()
        if name == "episode_ref" or drawn.random() > _BLANK / 2
    }


def of_charts(drawn: np.random.Generator, months: np.ndarray, groups: np.ndarray) -> Year:
    """A year of charts, drawn from those of the tests."""
    chosen = drawn.integers(0, len(_base()[0]), len(months))
    counted, asked = (part[chosen] for part in _base())
    for index, measure in enumerate(measures()):
        yield (
            measure.id,
            *(np.bincount(months[table[:, index]], minlength=MONTHS) for table in (counted, asked)),
            *(np.bincount(groups[table[:, index]], minlength=GROUPS) for table in (counted, asked)),
        )


KINDS: dict[str, Callable[[np.random.Generator, np.ndarray, np.ndarray], Year]] = {
    "independent": independent,
    "charts": of_charts,
}


def series(year: Year, *, grouped: bool) -> list[Series]:
    """The year as the first screen is given it."""
    good = {m.id: m.good for m in measures()}
    rules = {m.id: m.rules for m in measures()}
    return [
        Series(
            id_,
            good.get(id_, "fewer"),
            rules.get(id_, (id_,)),
            (int(counted.sum()), int(asked.sum())),
            _pairs(counted, asked),
            dict(_named(_pairs(of_group, asked_of_group))) if grouped else {},
        )
        for id_, counted, asked, of_group, asked_of_group in year
    ]


def _pairs(counted: np.ndarray, asked: np.ndarray) -> list[tuple[int, int]]:
    return [(int(n), int(d)) for n, d in zip(counted, asked, strict=True)]


def _named(pairs: Sequence[tuple[int, int]]) -> Iterator[tuple[str, tuple[int, int]]]:
    """Each under the name of a group."""
    yield from ((f"g{index}", pair) for index, pair in enumerate(pairs))


def fallen(drawn: np.random.Generator, months: np.ndarray, month: int) -> Series:
    """The measure that gets better: from ``month`` on its rate is less by ``FALL``."""
    rate = np.where(months < month, RATE, RATE * (1 - FALL))
    hit = drawn.random(len(months)) < rate
    by_month = _pairs(np.bincount(months[hit], minlength=MONTHS), np.bincount(months, minlength=MONTHS))
    return Series("fallen", "fewer", ("fallen",), (int(hit.sum()), len(months)), by_month)


def share(kind: str, years: int, *, grouped: bool = False, fall: int | None = None, seed: int = 1) -> Share:
    """Of so many years, those with any line on the first screen; with ``fall``, those that tell of the fall in this month."""
    drawn = np.random.default_rng(seed)
    seen = 0
    for _ in range(years):
        months, groups = drawn.integers(0, MONTHS, CHARTS), drawn.integers(0, GROUPS, CHARTS)
        given = series(KINDS[kind](drawn, months, groups), grouped=grouped)
        if fall is not None:
            given.append(fallen(drawn, months, fall))
        lines, _ = change.told(given, MONTHS)
        first = change.first_lines(lines)
        seen += bool(first) if fall is None else any((line.id, line.change) == ("fallen", "better") for line in first)
    return Share(years, seen)


def main() -> None:
    """Draw the years and say the shares."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--years", type=int, default=500)
    parser.add_argument("--kind", choices=tuple(KINDS), action="append", help="of years (both)")
    parser.add_argument("--fall", action="store_true", help="with the measure that falls")
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    for kind in arguments.kind or KINDS:
        for grouped in (False, True):
            said = f"{kind}, {len(measures())} measures, {f'{GROUPS} groups' if grouped else 'no groups'}"
            if not arguments.fall:
                found = share(kind, arguments.years, grouped=grouped, seed=arguments.seed)
                print(f"{said}: any line on the first screen in {found.text()}", flush=True)
                continue
            for month in (3, 6, 9):
                found = share(kind, arguments.years, grouped=grouped, fall=month, seed=arguments.seed)
                print(f"{said}: a fall of 60 % from 20 % in month {month + 1} is told in {found.text()}", flush=True)


if __name__ == "__main__":
    main()
