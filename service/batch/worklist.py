"""Which charts of a folder to look at first: those without a review, then what the last run brought, then earlier; worst first."""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from service.wording.headings import SEVERITIES

from . import tables

#: More charts than this nobody works through from one list; the others are counted, and stand in the table of episodes.
MOST = 1_000
_COUNTS = ("critical", "warning", "info", "for_author", "unjudged", "accepted")
COLUMNS = (
    "place", "file", "line", "episode_ref", "group", "date", "new", "worst_severity", "worst", "worst_concern", "worst_rule",
    *_COUNTS, "page", "problem", "problem_title", "problem_at",
)  # fmt: skip


def document(
    rows: Iterable[Mapping[str, str]],
    files: Sequence[Mapping[str, Any]],
    concerns: Sequence[str],
    versions: Mapping[str, str],
) -> dict[str, Any]:
    """The worklist as plain data. ``rows``: of the table of episodes; ``files``: of the summary, with the number of the run
    that brought each; ``concerns``: in their order.

    A chart that came twice with the same content stands in it once.
    """
    run_of = {str(tables.cell(each["file"])): each["run"] for each in files}
    last = max(run_of.values(), default=0)
    total, quiet = 0, 0

    def listed() -> Iterable[dict[str, Any]]:
        nonlocal total, quiet
        for row in rows:
            total += 1
            if row["problem"] or any(row[name] not in ("", "0") for name in ("findings", "unjudged")):
                yield {
                    **{name: row.get(name, "") for name in COLUMNS},
                    "new": run_of[row["file"]] == last,
                    "same": row["input_digest"],
                }
            else:
                quiet += 1

    def worst_first(row: Mapping[str, Any]) -> tuple[Any, ...]:
        if row["problem"]:
            return (0, not row["new"], 0, 0, 0, 0, 0, 0, row["file"], int(row["line"]))
        counts = [-int(row[name]) for name in ("critical", "warning", "unjudged", "for_author")]
        concern = concerns.index(row["worst_concern"])
        severity = SEVERITIES.index(row["worst_severity"])
        return (1, not row["new"], severity, concern, *counts, row["file"], int(row["line"]))

    seen: set[str] = set()
    charts: list[dict[str, Any]] = []
    chosen = heapq.nsmallest(MOST, listed(), key=worst_first)
    for row in chosen:
        same = row.pop("same")
        if same not in seen:
            charts.append(row | {"place": len(charts) + 1})
        if same:
            seen.add(same)
    return {
        "versions": dict(versions),
        "files": [{"file": each["file"], "new": each["run"] == last, "read": each["read"]} for each in files],
        "total": total,
        "quiet": quiet,
        "twice": len(chosen) - len(charts),
        "more": total - quiet - len(chosen),
        "charts": charts,
    }


def to_csv(found: Mapping[str, Any]) -> bytes:
    """The worklist as a table."""
    return tables.heading(COLUMNS) + tables.rows(COLUMNS, found["charts"])
