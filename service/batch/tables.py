"""Tables for spreadsheets: CSV by RFC 4180 with a byte order mark, and no cell that a spreadsheet would run as a formula."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Mapping
from typing import Any

from service.problems import PROBLEMS
from service.wording.headings import SEVERITIES, gravest
from service.wording.labels import member_label

from .definitions import day_of
from .lines import Answer

#: Byte order mark, by which spreadsheets know UTF-8.
MARK = b"\xef\xbb\xbf"
#: What a cell that may be run as a formula begins with (OWASP, CSV Injection); the last four are full-width forms.
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")
#: The same in the middle of a cell, where a spreadsheet set to another separator would begin a new one.
_INSIDE = re.compile("([;\t]\\s*)(?=[=+@\uff1d\uff0b\uff0d\uff20-])")
_OUTCOMES = ("clear", "finding", "not_applicable", "not_assessable", "error", "off")
_CATEGORIES = ("completeness", "safety", "consistency")
_HANDLERS = ("author", "reviewer")

EPISODES = (
    "file", "line", "status", "problem", "problem_title", "problem_at", "problem_pointers", "episode_ref", "group", "date", "worst_severity",
    "worst", "worst_concern", "worst_rule", "page", "critical", "warning", "info", "findings", "accepted", "unjudged", *(f"for_{name}" for name in _HANDLERS), *_CATEGORIES,
    *(f"rules_{name}" for name in _OUTCOMES), "input_digest", "profile", "ruleset", "ruleset_digest", "profile_digest",
)  # fmt: skip
FINDINGS = (
    "file", "line", "episode_ref", "group", "date", "severity", "category", "concern", "phase", "handled_by", "rule", "rule_name",
    "revision", "title", "message", "tell_now", "remediation", "from", "to", "pointers", "missing", "standing", "story", "reason",
    "accepted_by", "acceptable", "disputed", "fingerprint", "profile", "ruleset",
)  # fmt: skip


def cell(value: Any) -> Any:
    """A value as a cell: text on one line, with an apostrophe before what could be a formula; numbers stay numbers."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if not isinstance(value, str):
        return "" if value is None else value
    text = _INSIDE.sub(r"\1'", " ".join(value.splitlines()))
    return f"'{text}" if value.startswith(_FORMULA) or text.startswith(_FORMULA) else text


def rows(columns: Iterable[str], entries: Iterable[Mapping[str, Any]]) -> bytes:
    """Entries as CSV rows in UTF-8, without a heading; a column that an entry lacks is an empty cell."""
    names = tuple(columns)
    out = io.StringIO()
    writer = csv.writer(out)
    for entry in entries:
        writer.writerow([cell(entry.get(name)) for name in names])
    return out.getvalue().encode()


def heading(columns: Iterable[str]) -> bytes:
    """The byte order mark and the row of column names."""
    return MARK + rows(columns, [{name: name for name in columns}])


def episode_row(file: str, found: Answer, group: str | None = None, page: str | None = None) -> dict[str, Any]:
    """The row for one line of the input, reviewed or not. ``date``: the day by which measures count it; ``page``: path of its page."""
    row: dict[str, Any] = {"file": file, "line": found.number, "status": found.status}
    if found.review is None:
        errors = found.problem["errors"] if found.problem else []
        places = [e.get("pointer") or e.get("location") or "" for e in errors]
        said = [f"{in_words(at)}: {e['detail']}" if at else e["detail"] for e, at in zip(errors, places, strict=True)]
        return row | {
            "problem": found.code,
            "problem_title": PROBLEMS[found.code].title,
            "problem_at": " ".join(said),
            "problem_pointers": " ".join(places),
        }
    document = found.review.document
    summary, versions = document["summary"], document["versions"]
    row |= _episode(found, group) | worst(document) | {"page": page, "input_digest": document["input_digest"]}
    row |= {name: summary["by_severity"].get(name, 0) for name in SEVERITIES}
    row |= {name: summary["by_category"].get(name, 0) for name in _CATEGORIES}
    row |= {f"for_{name}": summary["by_handler"][name] for name in _HANDLERS}
    row |= {name: summary[name] for name in ("findings", "accepted", "unjudged")}
    row |= {f"rules_{name}": summary[name] for name in _OUTCOMES}
    return row | {name: versions[name] for name in ("profile", "ruleset", "ruleset_digest", "profile_digest")}


def in_words(place: str) -> str:
    """A place that is wrong as a person says it: ``monitoring, vitals number 4, SpO2`` for ``/monitoring/vitals/3/spo2``.

    An XPath location stays as it is, but for the names of its prefixes.
    """
    if "nem:" in place:
        return ", ".join(step for step in place.replace("nem:", "").split("/") if step)
    said: list[str] = []
    for step in place.split("/")[1:]:
        if step.isdigit() and said:
            said[-1] += f" number {int(step) + 1}"
        else:
            said.append(member_label(step.replace("~1", "/").replace("~0", "~")))
    return ", ".join(said)


def worst(document: Mapping[str, Any]) -> dict[str, Any]:
    """The gravest that a review says, as cells."""
    first = gravest(document)
    if first is None:
        return {}
    return {
        "worst_severity": first["severity"],
        "worst": first["message"],
        "worst_concern": first["concern"],
        "worst_rule": (first["rule"] or {}).get("id"),
    }


def _episode(found: Answer, group: str | None) -> dict[str, Any]:
    assert found.review is not None
    day = day_of(found.review)
    return {
        "episode_ref": found.review.document["episode_ref"],
        "group": group,
        "date": None if day is None else day.isoformat(),
    }


def finding_rows(file: str, found: Answer, group: str | None = None) -> list[dict[str, Any]]:
    """One row for each instance of a finding, accepted ones too, and for each danger that stays unjudged.

    ``standing``: stands, accepted or unjudged.
    """
    if found.review is None:
        return []
    document = found.review.document
    same = {
        "file": file,
        "line": found.number,
        **_episode(found, group),
        "profile": document["versions"]["profile"],
        "ruleset": document["versions"]["ruleset"],
    }
    language = found.review.intake.language
    listed = ("findings", "stands"), ("accepted", "accepted"), ("unjudged", "unjudged")
    return [
        {**same, **_finding(entry), "standing": standing, **_instance(instance, language)}
        for name, standing in listed
        for entry in document[name]
        for instance in entry["instances"] or [{"message": entry["message"], "pointers": []}]
    ]


def _finding(entry: Mapping[str, Any]) -> dict[str, Any]:
    rule = entry["rule"] or {}
    names = ("severity", "category", "concern", "phase", "handled_by", "title", "tell_now", "remediation", "story")
    return {
        **{name: entry.get(name) for name in names},
        "rule": rule.get("id"),
        "rule_name": rule.get("name"),
        "revision": rule.get("revision"),
    }


def _instance(instance: Mapping[str, Any], language: str) -> dict[str, Any]:
    span = instance.get("span") or {}
    places = instance["pointers"]
    return {
        **{name: instance.get(name) for name in ("message", "acceptable", "fingerprint", "reason")},
        "accepted_by": instance.get("by"),
        "from": span.get("from"),
        "to": span.get("to"),
        "pointers": " ".join(place[language] or "(whole record)" for place in places),
        "missing": " ".join(place["missing"] for place in places if "missing" in place),
        "disputed": instance.get("disputed", False),
    }
