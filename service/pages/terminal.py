"""A review as a person reads it in a terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from service.wording.headings import BASIS, HANDLERS, SEVERITIES, count, sentence, why_unknown

_COLORS = {"critical": "1;31", "warning": "33", "info": "36", "heading": "1"}
#: Narrower than this nothing can be read, wider than this nobody reads it.
_NARROWEST, _WIDEST = 40, 100


def render(
    title: str,
    document: Mapping[str, Any],
    rules: Mapping[str, tuple[str, str]],
    width: int = 80,
    color: bool = False,
    story: str = "",
) -> str:
    """A review as text: counts, what to tell at once, findings by who acts and severity, what could not be assessed, notices.

    ``document``: the review as the service answers it; ``rules``: id of a rule
    -> (phase, title); ``width`` in columns; ``color``: with ANSI colors;
    ``story``: text under the title.
    """
    page = _Page(max(_NARROWEST, min(width, _WIDEST)), color)
    page.heading(title)
    if story:
        page.text(story)
        page.gap()
    page.text(_counts(document["summary"]))
    _tell_now(page, document)
    for handler, name in HANDLERS.items():
        findings = [each for each in document["findings"] if each["handled_by"] == handler]
        if findings:
            page.gap()
            page.text(f"{name} ({len(findings)})", color="heading")
            for finding in findings:
                _finding(page, finding)
    if document["unjudged"]:
        page.gap()
        page.text(f"Stays unjudged ({len(document['unjudged'])})", color="heading")
        for entry in document["unjudged"]:
            rule = f" [{entry['rule']['id']}]" if entry["rule"] else ""
            page.text(f"{entry['severity'].upper()} {entry['title']}{rule}. {entry['message']}", 2)
            for instance in entry["instances"]:
                page.text(f"-{_clock(instance)} {_places(instance)}", 4)
    if document["accepted"]:
        page.gap()
        page.text(f"Accepted ({len(document['accepted'])})", color="heading")
        for each in document["accepted"]:
            page.text(f"{each['title']} [{each['rule']['id']}]", 2)
    _not_assessable(page, document["not_assessable"])
    _rest(page, document, rules)
    return page.done()


def _counts(summary: Mapping[str, Any]) -> str:
    by = summary["by_severity"]
    found = ", ".join(f"{by.get(severity, 0)} {severity}" for severity in SEVERITIES)
    outcomes = ("clear", "finding", "not_applicable", "not_assessable", "error", "off")
    said = {outcome: plain(outcome) for outcome in outcomes} | {"finding": "with a finding"}
    rules = ", ".join(f"{summary[outcome]} {said[outcome]}" for outcome in outcomes)
    more = "".join(f", {summary[each]} {each}" for each in ("accepted", "counted", "covered") if summary[each])
    return f"{count(summary['findings'], 'finding')}: {found}{more}. {count(summary['rules'], 'rule')}: {rules}."


def _tell_now(page: _Page, document: Mapping[str, Any]) -> None:
    if document["tell_now"]:
        page.gap()
        page.text("TELL NOW", color="critical")
        page.text(document["patient"]["text"], 2)
        for line in document["tell_now"]:
            page.text(f"{line['text']} [{line['rule'] or 'no rule'}]", 2, "critical")


_LANGUAGES = ("pointer", "fhirpath", "xpath")


def _clock(finding: Mapping[str, Any]) -> str:
    """When a finding was, in the record's own offset: " 18:28", " 18:28 to 18:40", or ""."""
    span = finding.get("span")
    if span is None:
        return ""
    start, end = span["from"][11:16], span["to"][11:16]
    return f" {start}" if start == end else f" {start} to {end}"


def rule(document: Mapping[str, Any], width: int = 80) -> str:
    """One rule as text. ``document``: the answer of ``GET /v1/rules/{id}``; ``width`` in columns."""
    page = _Page(width, False)
    page.heading(f"{document['id']} {document['title']}")
    page.text(
        f"{document['name']}, revision {document['revision']}. Phase {document['phase']}, {document['category']}, "
        f"{document['severity']} (may be {', '.join(document['severity_allowed'])}"
        f"{'; locked' if document['locked'] else ''}), for the {document['handled_by']}. About: {document['about']}."
    )
    for name, key in (("It says", "message"), ("Tell now", "tell_now"), ("What to do", "remediation"), ("Why", "why")):
        page.part(name, [document[key]] if key in document else [])
    page.part("Applies when", _condition(document["applies_when"]))
    page.part("Fails when", _condition(document["fails_when"]))
    page.part("Numbers", map(_number, document["parameters"]))
    page.part("Known limits", (f"- {text}" for text in document["known_limits"]))
    page.part("Owns the absence of", (f"- {path}" for path in document["requires"]))
    page.part("Answers", (f"- {each['fact']}: {each['says']}" for each in document["answers"]))
    page.part("Sources", map(_source, document["sources"]))
    return page.done()


def _number(each: Mapping[str, Any]) -> str:
    room = "fixed" if each["min"] == each["max"] else f"from {each['min']} to {each['max']}"
    return f"{each['name']}: {each['default']} {each['unit']} ({room}; {each['source']})"


def _source(each: Mapping[str, Any]) -> str:
    return f"- {each['publisher']}, {each['title']} ({each['edition']}), {each['locator']} [{each['confidence']}]"


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
    """One heading, all places, one remediation."""
    instances = finding["instances"]
    messages = {instance["message"] for instance in instances}
    page.gap()
    where = _clock(instances[0]) if len(instances) == 1 else f", {len(instances)} places"
    page.text(
        f"{finding['severity'].upper()} ({BASIS[finding['category']].lower()}) {finding['title']} [{finding['rule']['id']}]{where}",
        2,
        finding["severity"],
    )
    page.text(finding["message"], 4)
    if "tell_now" in finding and finding["severity"] != "critical":
        page.text(finding["tell_now"], 4)
    if len(instances) > 1:
        for instance in instances:
            own = f" {instance['message']}" if len(messages) > 1 else ""
            page.text(f"-{_clock(instance)}{own} {_places(instance)}", 4)
    page.text(finding["remediation"], 4)
    if len(instances) == 1:
        page.text(_places(instances[0]), 4)
    if any(instance.get("disputed") for instance in instances):
        page.text("Disputed: the two deciders disagree.", 4)


def _places(finding: Mapping[str, Any]) -> str:
    located = (next(each[name] for name in _LANGUAGES if name in each) for each in finding["pointers"])
    return f"At: {', '.join(dict.fromkeys(place or '(the whole record)' for place in located))}"


def _not_assessable(page: _Page, groups: Sequence[Mapping[str, Any]]) -> None:
    """What is not known, and how many rules wait for it."""
    if not groups:
        return
    page.gap()
    amount = sum(len(group["rules"]) for group in groups)
    page.text(f"Cannot be told from this record ({count(amount, 'rule')})", color="heading")
    page.text("What the record does not say, and how many rules wait for it. This is neither a finding nor a pass.", 2)
    for group in groups:
        ids = ", ".join(rule["id"] for rule in group["rules"])
        page.text(f"{sentence(why_unknown(group['because']))}: {count(len(group['rules']), 'rule')}: {ids}", 2)


def _rest(page: _Page, document: Mapping[str, Any], rules: Mapping[str, tuple[str, str]]) -> None:
    off = [f"{each['rule']} {rules[each['rule']][1]}: {each['reason']}" for each in document["off"]]
    for name, lines in (
        ("Switched off by the profile", off),
        ("Notices", [_notice(each) for each in document["notices"]]),
        ("Please note", document["cautions"]),
    ):
        if lines:
            page.gap()
            page.text(name, color="heading")
            for line in lines:
                page.text(line, 2)


def _notice(notice: Mapping[str, Any]) -> str:
    places = ", ".join(place for place in notice["pointers"] if place)
    return f"{notice['text']} At: {places}" if places else str(notice["text"])


def plain(word: str) -> str:
    """An outcome in words."""
    return word.replace("_", " ")


def wrap(text: str, width: int, indent: int = 0, later: int | None = None, *, broken: bool = True) -> list[str]:
    """Lines of text. ``later``: indent of all but the first; ``broken`` false: a long word, such as a path, stays whole."""
    return textwrap.wrap(
        text,
        width,
        initial_indent=" " * indent,
        subsequent_indent=" " * (later if later is not None else indent + 2 if indent else 0),
        break_on_hyphens=False,
        break_long_words=broken,
    )


class _Page:
    def __init__(self, width: int, color: bool) -> None:
        self._width = width
        self._color = color
        self._lines: list[str] = []

    def heading(self, text: str) -> None:
        self._add(["=" * self._width, *wrap(text, self._width, broken=False), "=" * self._width], "heading")

    def text(self, text: str, indent: int = 0, color: str | None = None) -> None:
        self._add(wrap(text, self._width, indent), color)

    def part(self, name: str, lines: Iterable[str]) -> None:
        """A part of a rule: its name, and its lines below; nothing without a line."""
        for number, line in enumerate(lines):
            if number == 0:
                self.gap()
                self.text(f"{name}:")
            self.text(line, 2)

    def gap(self) -> None:
        self._lines.append("")

    def done(self) -> str:
        return "\n".join(self._lines) + "\n"

    def _add(self, lines: Iterable[str], color: str | None) -> None:
        for line in lines:
            self._lines.append(f"\x1b[{_COLORS[color]}m{line}\x1b[0m" if self._color and color else line)
