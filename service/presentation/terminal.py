"""A review as a person reads it in a terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Mapping
from typing import Any

_SEVERITIES = ("critical", "warning", "info")
_HANDLERS = (("reviewer", "For the reviewer"), ("author", "For the author"))
_COLORS = {"critical": "1;31", "warning": "33", "info": "36", "heading": "1"}
#: Narrower than this nothing can be read, wider than this nobody reads it.
_NARROWEST, _WIDEST = 40, 100


def render(title: str, document: Mapping[str, Any], width: int = 80, color: bool = False, story: str = "") -> str:
    """Lay out one review: counts, findings by who acts and severity, what could not be checked, notices, cautions.

    ``document`` is the review as the service answers it; ``width`` in columns;
    ``color`` adds ANSI colors; ``story`` stands under the title. What to tell at once stands before any finding.
    """
    page = _Page(max(_NARROWEST, min(width, _WIDEST)), color)
    page.heading(title)
    if story:
        page.text(story)
        page.gap()
    page.text(_counts(document["summary"]))
    _tell_now(page, document["findings"])
    for handler, name in _HANDLERS:
        findings = [each for each in document["findings"] if each["handled_by"] == handler]
        if findings:
            page.gap()
            page.text(f"{name} ({len(findings)})", color="heading")
            for severity in _SEVERITIES:
                for finding in findings:
                    if finding["severity"] == severity:
                        _finding(page, finding)
    _rest(page, document)
    return page.done()


def _counts(summary: Mapping[str, Any]) -> str:
    by = summary["by_severity"]
    found = ", ".join(f"{by.get(severity, 0)} {severity}" for severity in _SEVERITIES)
    outcomes = ("clear", "finding", "not_applicable", "not_assessable", "error", "off")
    rules = ", ".join(f"{summary[outcome]} {_plain(outcome)}" for outcome in outcomes)
    accepted = f", {summary['accepted']} accepted" if summary["accepted"] else ""
    return f"{summary['findings']} findings: {found}{accepted}. {summary['rules']} rules: {rules}."


def _tell_now(page: _Page, findings: Iterable[Mapping[str, Any]]) -> None:
    # Several findings of one rule say the same sentence; once is enough here.
    told = {each["tell_now"]: each["rule"]["id"] for each in findings if "tell_now" in each}
    if told:
        page.gap()
        page.text("TELL NOW", color="critical")
        for sentence, rule in told.items():
            page.text(f"{sentence} [{rule}]", 2, "critical")


_LANGUAGES = ("pointer", "fhirpath", "xpath")


def _clock(finding: Mapping[str, Any]) -> str:
    """When it was, in the record's own time: " 18:28", " 18:28 to 18:40", or nothing."""
    span = finding.get("span")
    if span is None:
        return ""
    start, end = span["from"][11:16], span["to"][11:16]
    return f" {start}" if start == end else f" {start} to {end}"


def rule(document: Mapping[str, Any], width: int = 80) -> str:
    """One rule as a person reads it. ``document``: as ``/v1/rules/{id}`` answers."""
    page = _Page(width, False)
    page.heading(f"{document['id']} {document['title']}")
    page.text(
        f"{document['name']}, revision {document['revision']}. Phase {document['phase']}, {document['category']}, "
        f"{document['severity']} (may be {', '.join(document['severity_allowed'])}"
        f"{'; locked' if document['locked'] else ''}), for the {document['handled_by']}. About: {document['about']}."
    )
    for name, key in (
        ("It says", "message"),
        ("Tell now", "tell_now"),
        ("What to do", "remediation"),
        ("Why", "why"),
    ):
        if key in document:
            page.gap()
            page.text(f"{name}:")
            page.text(document[key], 2)
    for name, key in (("Applies when", "applies_when"), ("Fails when", "fails_when")):
        page.gap()
        page.text(f"{name}:")
        for line in _condition(document[key]):
            page.text(line, 2)
    if document["parameters"]:
        page.gap()
        page.text("Numbers:")
    for each in document["parameters"]:
        room = "fixed" if each["min"] == each["max"] else f"from {each['min']} to {each['max']}"
        page.text(f"{each['name']}: {each['default']} {each['unit']} ({room}; {each['source']})", 2)
    for name, lines in (
        ("Known limits", document["known_limits"]),
        ("Owns the absence of", document["requires"]),
        ("Answers", [f"{each['fact']}: {each['says']}" for each in document["answers"]]),
        (
            "Sources",
            [
                f"{s['publisher']}, {s['title']} ({s['edition']}), {s['locator']} [{s['confidence']}]"
                for s in document["sources"]
            ],
        ),
    ):
        if lines:
            page.gap()
            page.text(f"{name}:")
            for line in lines:
                page.text(f"- {line}", 2)
    return page.done()


_OPS = {"eq": "is", "ne": "is not", "lt": "under", "le": "at most", "gt": "over", "ge": "at least"}


def _condition(group: Mapping[str, Any], indent: int = 0) -> Iterable[str]:
    ((mode, terms),) = group.items()
    yield f"{'  ' * indent}{'all of' if mode == 'all' else 'any of'}:"
    for term in terms:
        ((name, test),) = term.items()
        if name in ("all", "any"):
            yield from _condition(term, indent + 1)
            continue
        ((op, value),) = test.items()
        said = (
            f"is {op}" if op not in _OPS else f"{_OPS[op]} {str(value).lower() if isinstance(value, bool) else value}"
        )
        yield f"{'  ' * (indent + 1)}{name.replace('_', ' ')} {said}"


def _finding(page: _Page, finding: Mapping[str, Any]) -> None:
    severity = finding["severity"]
    page.gap()
    disputed = " (disputed: the two deciders disagree)" if finding.get("disputed") else ""
    page.text(
        f"{severity.upper()} {finding['title']} [{finding['rule']['id']}]{_clock(finding)}{disputed}", 2, severity
    )
    page.text(finding["message"], 4)
    page.text(finding["remediation"], 4)
    located = (next(each[name] for name in _LANGUAGES if name in each) for each in finding["pointers"])
    places = ", ".join(dict.fromkeys(place or "(the whole record)" for place in located))
    page.text(f"At: {places}", 4)


def _rest(page: _Page, document: Mapping[str, Any]) -> None:
    cannot_tell = ", ".join(each["rule"]["id"] for each in document["not_assessable"])
    for name, lines in (
        ("Accepted", [f"{each['title']} [{each['rule']['id']}]" for each in document["accepted"]]),
        ("Cannot be told from this record", [cannot_tell] if cannot_tell else []),
        ("Switched off by the profile", [f"{each['rule']}: {each['reason']}" for each in document["off"]]),
        ("Notices", [each["detail"] for each in document["notices"]]),
        ("Please note", document["cautions"]),
    ):
        if lines:
            page.gap()
            page.text(name, color="heading")
            for line in lines:
                page.text(line, 2)


def _plain(word: str) -> str:
    return word.replace("_", " ")


class _Page:
    def __init__(self, width: int, color: bool) -> None:
        self._width = width
        self._color = color
        self._lines: list[str] = []

    def heading(self, text: str) -> None:
        self._add(["=" * self._width, *self._wrap(text, 0), "=" * self._width], "heading")

    def text(self, text: str, indent: int = 0, color: str | None = None) -> None:
        self._add(self._wrap(text, indent), color)

    def gap(self) -> None:
        self._lines.append("")

    def done(self) -> str:
        return "\n".join(self._lines) + "\n"

    def _wrap(self, text: str, indent: int) -> list[str]:
        return textwrap.wrap(
            text,
            self._width,
            initial_indent=" " * indent,
            subsequent_indent=" " * (indent + 2 if indent else 0),
            break_on_hyphens=False,
        )

    def _add(self, lines: Iterable[str], color: str | None) -> None:
        for line in lines:
            self._lines.append(f"\x1b[{_COLORS[color]}m{line}\x1b[0m" if self._color and color else line)
