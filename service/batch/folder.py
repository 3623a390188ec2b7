"""The folder of a batch: the reviews of every file, two tables, a worklist, and what is in it.

Files may be added to it, week by week. ``summary.json`` names every file that
is in it with its digest, so that none is done twice, and is the last to
change: rows of a file that it does not name are left by a try that was stopped
and are written again.
"""

from __future__ import annotations

import contextlib
import csv
import hashlib
import io
import json
import os
import shutil
from collections.abc import Iterable, Iterator, Mapping
from itertools import chain
from pathlib import Path
from typing import Any, BinaryIO

from . import tables
from .jobs import DONE, EPISODES, FINDINGS, NDJSON, PAGES
from .store import Disk, is_remote, join, store_of

_COPY = 1024 * 1024
PARTS = "parts"
SUMMARY, WORKLIST, WORKLIST_PAGE = "summary.json", "worklist.csv", "worklist.html"
_TABLES = {EPISODES: tables.EPISODES, FINDINGS: tables.FINDINGS}


class NotOurs(Exception):
    """The folder cannot take this batch; the text says why, for a person."""


def names_of(paths: list[str]) -> tuple[str, ...]:
    """The names of inputs: the last part of each path. Raises ValueError where two are the same."""
    names = tuple(path.rstrip("/").rsplit("/", 1)[-1] for path in paths)
    if len(set(names)) < len(names):
        raise ValueError("two inputs have the same file name")
    return names


def digest(path: str) -> str:
    """SHA-256 of a file, as hexadecimal digits."""
    made = hashlib.sha256()
    with store_of(path).open(path) as stream:
        while piece := stream.read(_COPY):
            made.update(piece)
    return made.hexdigest()


class Folder:
    """One folder, opened for these versions and options. Raises NotOurs, OSError."""

    def __init__(self, path: str, versions: Mapping[str, str], *, explain: bool) -> None:
        self.path = path
        self.parts, self.pages = join(path, PARTS), join(path, PAGES)
        self._same = {"versions": dict(versions), "explain": explain}
        self._store = store_of(path)
        #: What the summary says of each file that is in it.
        self.files: list[dict[str, Any]] = []
        self._listed: list[dict[str, str]] = []
        if not self._store.exists(join(path, SUMMARY)):
            return
        with self._store.open(join(path, SUMMARY)) as stream:
            there = json.loads(stream.read())
        if any(there.get(name) != value for name, value in self._same.items()):
            raise NotOurs(
                f"{path} holds reviews by other rules, another profile or other options. Choose another folder."
            )
        self.files, self._listed = there["files"], there.get("parts", [])

    def fresh(self, paths: list[str], names: tuple[str, ...]) -> list[str]:
        """The paths that are not in the folder yet. Raises NotOurs for one whose name is, with other content."""
        there = {each["file"]: each["sha256"] for each in self.files}
        out = []
        for path, name in zip(paths, names, strict=True):
            if name not in there:
                out.append(path)
            elif there[name] != digest(path):
                raise NotOurs(
                    f"{self.path} holds another {name}. Give the new file another name, or choose another folder."
                )
        return out

    def prepare(self, names: Iterable[str]) -> None:
        """Make the folders. Raises NotOurs for files that a batch would write over and did not write, OSError."""
        if not is_remote(self.path):
            tried = Path(self.parts).is_dir()
            reviews = [f"{name}.reviews.ndjson" for name in names]
            ours = () if tried else reviews if self.files else [*reviews, *_TABLES, WORKLIST, WORKLIST_PAGE]
            for name in ours:
                if Path(self.path, name).exists():
                    raise NotOurs(
                        f"{self.path} holds {name}, which this batch would write over. Choose another folder or move it."
                    )
            for name in _TABLES if self.files else ():
                with Path(self.path, name).open("rb") as stream:
                    if stream.readline() != tables.heading(_TABLES[name]):
                        raise NotOurs(f"{join(self.path, name)} was changed since. Choose another folder.")
        for place in (self.path, self.parts, self.pages):
            self._store.folder(place)

    def add(self, files: list[dict[str, Any]], made: list[tuple[str, str]]) -> dict[str, Any]:
        """Take in the parts of new files, given as (name, part) in order; the summary. ``files``: name, digest and counts.

        On a disk they are joined into one file of reviews for each input and
        into the tables, and removed. At an URL they stay as they are and the
        summary lists them: joined in that order they are the same bytes.
        """
        run = 1 + max((each["run"] for each in self.files), default=0)
        old = {each["file"] for each in self.files}
        self.files += [{**each, "run": run} for each in files]
        totals = {
            name: sum(each[name] for each in self.files) for name in ("read", "reviewed", "rejected", "not_evaluated")
        }
        summary = {**self._same, "files": self.files, "lines": totals}
        if is_remote(self.path):
            self._listed += [{"file": name, "part": part.rsplit("/", 1)[-1]} for name, part in made]
            summary["parts"] = self._listed
            with self._store.write(join(self.path, SUMMARY)) as stream:
                stream.write(_json(summary))
            return summary
        written = [f"{each['file']}.reviews.ndjson" for each in files]
        for each, name in zip(files, written, strict=True):
            with self._whole(name) as into:
                _copy(into, (f"{part}.{NDJSON}" for of, part in made if of == each["file"]))
        for kind, columns in _TABLES.items():
            written.append(kind)
            with self._whole(kind) as into:
                into.write(tables.heading(columns))
                for row in _rows(Path(self.path, kind), old) if old else ():
                    into.write(tables.rows(columns, [dict(zip(columns, row, strict=True))]))
                _copy(into, (f"{part}.{kind}" for _, part in made))
        written.append(SUMMARY)
        with self._whole(SUMMARY) as into:
            into.write(_json(summary))
        for name in written:
            os.replace(join(self.parts, f"whole.{name}"), join(self.path, name))
        _sweep(Path(self.parts))
        for left in Path(self.pages).glob("*.partial"):
            left.unlink()
        with contextlib.suppress(OSError):  # not empty: there are pages in it
            Path(self.pages).rmdir()
        return summary

    def episodes(self) -> Iterator[dict[str, str]]:
        """The rows of all files in it, as they were written."""
        if is_remote(self.path):
            parts = (f"{join(self.parts, each['part'])}.{EPISODES}" for each in self._listed)
            return chain.from_iterable(self._part(path) for path in parts)
        return _dicts(_rows(Path(self.path, EPISODES), {each["file"] for each in self.files}))

    def _part(self, path: str) -> Iterator[dict[str, str]]:
        with self._store.open(path) as stream:
            yield from _dicts(csv.reader(io.StringIO(stream.read().decode(), newline="")))

    def write(self, name: str, content: bytes) -> None:
        """Write one more file into it."""
        with self._store.write(join(self.path, name)) as stream:
            stream.write(content)

    def _whole(self, name: str) -> contextlib.AbstractContextManager[BinaryIO]:
        """A file of the batch, beside the parts until all are written."""
        return Disk().write(join(self.parts, f"whole.{name}"))


def _dicts(rows: Iterable[list[str]]) -> Iterator[dict[str, str]]:
    return (dict(zip(tables.EPISODES, row, strict=True)) for row in rows)


def _rows(path: Path, files: set[str]) -> Iterator[list[str]]:
    """The rows of these files in a table of ours, in order."""
    cells = {str(tables.cell(name)) for name in files}
    with path.open(encoding="utf-8-sig", newline="") as stream:
        rows = csv.reader(stream)
        next(rows)
        yield from (row for row in rows if row[0] in cells)


def _json(content: dict[str, Any]) -> bytes:
    return json.dumps(content, indent=1).encode() + b"\n"


def _copy(into: BinaryIO, paths: Iterable[str]) -> None:
    for path in paths:
        with Disk().open(path) as stream:
            shutil.copyfileobj(stream, into, _COPY)


def _sweep(parts: Path) -> None:
    """Remove the parts that this batch and earlier tries have left, and nothing else."""
    for kind in (NDJSON, EPISODES, FINDINGS, DONE, SUMMARY):
        for path in [*parts.glob(f"*.{kind}"), *parts.glob(f"*.{kind}.*.partial")]:
            path.unlink()
    with contextlib.suppress(OSError):  # not empty: a file that is not ours is in it
        parts.rmdir()
