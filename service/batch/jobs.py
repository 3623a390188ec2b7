"""What is done with one range of lines, in any process on any machine: reviews, measures, or a comparison.

A job is small and is sent to the process; everything large (the compiled
rulebook) is built once in each process. What comes back from a range holds
numbers, names of files and, for measures, names of groups: nothing of an
episode but the references that a comparison names.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from service import memory
from service.engine.compile import EngineError
from service.formats.media_types import NEMSIS
from service.formats.nemsis.mapping import MappingError
from service.formats.nemsis.xsd import SchemaError
from service.pages import review as review_page
from service.pipeline import Pipeline, UnknownProfile
from service.review.build import Wanted
from service.rulebook.load import RulebookError

from . import blocks, compare, definitions, lines, measures, tables
from .blocks import Placed
from .groups import group_of
from .lines import Answer
from .store import join, store_of
from .tally import Tally
from .verdicts import Verdicts

#: Bad lines named for each range.
MOST_NAMED = 20
NDJSON, EPISODES, FINDINGS, DONE = "ndjson", "episodes.csv", "findings.csv", "done.json"
#: Folder of the pages of charts, beside the tables.
PAGES = "pages"


class DifferentRules(Exception):
    """The process that does the work has other rules than the one that asked, or rules that it cannot use."""


class NotReady(Exception):
    """Rules do not pass their own examples. ``lines``: one for each failure."""

    def __init__(self, lines: list[str]) -> None:
        super().__init__(lines)
        self.lines = lines


def _text(place: Path | None) -> str | None:
    return None if place is None else str(place)


@dataclass(frozen=True, slots=True)
class Rules:
    """Which rulebook and profile, by paths and names, and the versions that they must have."""

    directory: str | None
    extra: str | None
    profile: str
    versions: tuple[tuple[str, str], ...]
    mappings: str | None = None
    schemas: str | None = None

    @classmethod
    def of(
        cls,
        directory: Path | None,
        extra: Path | None,
        profile: str,
        mappings: Path | None = None,
        schemas: Path | None = None,
    ) -> Rules:
        """The rules with the versions that they have here. ``mappings``, ``schemas``: for NEMSIS documents, as for the service.

        Raises RulebookError, MappingError, SchemaError, EngineError, NotReady, UnknownProfile.
        """
        of_rules = (_text(directory), _text(extra))
        of_xml = (_text(mappings), _text(schemas))
        versions = lines.versions(pipeline_of(profile, *of_rules, *of_xml), profile)
        return cls(*of_rules, profile, tuple(versions.items()), *of_xml)

    def pipeline(self) -> Pipeline:
        """The pipeline of this process. Raises DifferentRules where it has other versions."""
        try:
            found = pipeline_of(self.profile, self.directory, self.extra, self.mappings, self.schemas)
        except (RulebookError, MappingError, SchemaError, EngineError, NotReady, OSError, UnknownProfile):
            raise DifferentRules from None
        if tuple(lines.versions(found, self.profile).items()) != self.versions:
            raise DifferentRules
        return found


@functools.cache
def pipeline_of(
    profile: str, directory: str | None, extra: str | None, mappings: str | None, schemas: str | None
) -> Pipeline:
    """A pipeline for one profile with its self-test passed, built once in each process. Raises as ``Rules.of``."""
    places = [None if name is None else Path(name) for name in (directory, extra, mappings, schemas)]
    memory.keep_freed_memory()
    made = Pipeline.build(*places, profiles=[profile])
    if failures := made.self_test():
        raise NotReady(failures)
    memory.leave_loaded_objects_alone()
    return made


@dataclass(slots=True)
class Done:
    """What became of the lines of one range. ``lines``: all, empty ones too.

    ``named``: (line number, code, location) of the first lines without a review.
    ``reused``: it was done before. ``part``: start of the names of its files;
    ``tally``: its counts; by the kind of job.
    """

    lines: int = 0
    empty: int = 0
    reviewed: int = 0
    rejected: int = 0
    not_evaluated: int = 0
    named: list[tuple[int, str, str]] = field(default_factory=list)
    reused: bool = False
    part: str = ""
    tally: Any = None

    def see(self, found: Answer) -> None:
        """Count one answer."""
        if found.review is not None:
            self.reviewed += 1
            return
        if found.status >= 500:
            self.not_evaluated += 1
        else:
            self.rejected += 1
        if len(self.named) < MOST_NAMED:
            errors = found.problem["errors"] if found.problem else []
            at = errors[0].get("pointer") or errors[0].get("location") if errors else None
            self.named.append((found.number, found.code, at or ""))


def _lines(pipeline: Pipeline, placed: Placed, most: int, done: Done) -> Iterator[tuple[int, lines.Source]]:
    if placed.block.whole:
        for number, chart in enumerate(_charts(pipeline, placed.block, most), 1):
            done.lines += 1
            yield number, chart
        return
    for number, line in blocks.owned(placed, most):
        done.lines += 1
        if lines.is_empty(line):
            done.empty += 1
        else:
            yield number, line


def _charts(pipeline: Pipeline, block: blocks.Block, most: int) -> Sequence[lines.Source]:
    with store_of(block.path).open(block.path) as stream:
        document = stream.read(most + 1)
    return [None] if len(document) > most else lines.charts(pipeline, document, NEMSIS)


@dataclass(frozen=True, slots=True)
class Reviews:
    """Review every line. The answers and their rows go to files in ``folder``, named by a hash of what they are made of.

    A hash and not a date: a batch that is resumed can never mix two versions of an input or of the rules.
    ``pages``: the folder for a page of each chart; none without one.
    """

    rules: Rules
    wanted: Wanted
    folder: str
    names: tuple[str, ...]
    most: int = lines.MOST_BYTES
    pages: str | None = None

    def part_of(self, placed: Placed) -> str:
        """Start of the names of a range's files, by input, range, lines and versions: the same name has the same content."""
        made = hashlib.sha256(blocks.digest(placed, self.most).encode())
        made.update(
            json.dumps(
                [self.rules.versions, self.wanted, self.most, self.names[placed.block.input], self.pages is not None]
            ).encode()
        )
        block = placed.block
        return join(self.folder, f"{block.input:04d}-{block.start:015d}-{block.stop:015d}-{made.hexdigest()[:32]}")

    def run(self, placed: Placed) -> Done:
        """Review the range, unless its files are there already."""
        part = self.part_of(placed)
        store = store_of(part)
        # How a document is read depends on mappings and schemas too, which are not in the name: it is done again.
        if store.exists(f"{part}.{DONE}") and not placed.block.whole:
            with store.open(f"{part}.{DONE}") as stream:
                kept = json.loads(stream.read())
            named = [(int(n), str(code), str(at)) for n, code, at in kept.pop("named")]
            return Done(**kept, named=named, reused=True, part=part)
        pipeline, done = self.rules.pipeline(), Done(part=part)
        name = self.names[placed.block.input]
        with contextlib.ExitStack() as files:
            reviews, episodes, findings = (
                files.enter_context(store.write(f"{part}.{kind}")) for kind in (NDJSON, EPISODES, FINDINGS)
            )
            for number, line in _lines(pipeline, placed, self.most, done):
                found = lines.answer(pipeline, line, number, self.rules.profile, self.wanted)
                done.see(found)
                reviews.write(lines.render(found) + b"\n")
                group = group_of(line) if found.review is not None and isinstance(line, bytes) else None
                page = self._page(pipeline, name, line, found)
                episodes.write(tables.rows(tables.EPISODES, [tables.episode_row(name, found, group, page)]))
                findings.write(tables.rows(tables.FINDINGS, tables.finding_rows(name, found, group)))
        kept = {key: getattr(done, key) for key in ("lines", "empty", "reviewed", "rejected", "not_evaluated", "named")}
        # Written last: where it is there, the other three are complete.
        with store.write(f"{part}.{DONE}") as stream:
            stream.write(json.dumps(kept).encode())
        return done

    def _page(self, pipeline: Pipeline, name: str, line: lines.Source, found: lines.Answer) -> str | None:
        """Write the page of a chart; its path from the tables."""
        if self.pages is None or found.review is None:
            return None
        # Once more, with reasons and sources: what is kept as JSON is short.
        whole = lines.answer(pipeline, line, found.number, self.rules.profile, Wanted(full=True)).review
        if whole is None:
            return None
        file = f"{name}.{found.number}.html"
        with store_of(self.pages).write(join(self.pages, file)) as stream:
            stream.write(review_page.render(whole, pipeline.rulebook))
        return f"{PAGES}/{file}"


@dataclass(frozen=True, slots=True)
class Measures:
    """Review every line and count for measures. ``length`` of a period: month or week; ``verdicts``: to be counted, or None.

    ``names``: of the inputs, where charts are listed.
    """

    rules: Rules
    length: str
    most: int = lines.MOST_BYTES
    verdicts: Verdicts | None = None
    names: tuple[str, ...] = ()

    def tally(self, wanted: tuple[definitions.Measure, ...]) -> Tally:
        """One with nothing counted."""
        return Tally(wanted, self.verdicts and self.verdicts.empty(), charts=bool(self.names))

    def run(self, placed: Placed) -> Done:
        """Count the range."""
        pipeline = self.rules.pipeline()
        wanted = definitions.measures_of(pipeline.rulebook)
        tally = self.tally(wanted)
        done = Done(tally=tally)
        file = self.names[placed.block.input] if self.names else ""
        for number, line in _lines(pipeline, placed, self.most, done):
            done.see(measures.count(pipeline, tally, wanted, line, number, self.rules.profile, self.length, file=file))
        return done


@dataclass(frozen=True, slots=True)
class Compare:
    """Review every line on two sides and count the differences."""

    left: Rules
    right: Rules
    most: int = lines.MOST_BYTES

    def run(self, placed: Placed) -> Done:
        """Compare over the range."""
        sides = [(rules.pipeline(), rules.profile) for rules in (self.left, self.right)]
        tally = compare.Tally()
        done = Done(tally=tally)
        for number, line in _lines(sides[0][0], placed, self.most, done):
            left, right = (lines.answer(pipeline, line, number, profile) for pipeline, profile in sides)
            done.see(max(left, right, key=lambda found: found.status))
            tally.add(left, right, placed.block.input)
        return done


Job = Reviews | Measures | Compare
