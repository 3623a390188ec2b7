"""The rulebook as pages: a list of rules that can be narrowed, with every profile and source, and a page for each rule."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from service.rulebook.catalogue import FILTERS, narrowed, rule_entry
from service.rulebook.load import Rulebook
from service.rulebook.message import with_names
from service.rulebook.profiles import chosen_sources
from service.rulebook.rule import STATE_OPS, Group, Leaf, Parameter, Profile, Rule
from service.rulebook.vocabulary import FactKind, ucum
from service.wording.headings import BASIS, SEVERITIES, count, sentence
from service.wording.quantities import quantity
from service.wording.words import number, word

from . import html
from .review import source_line

#: Where the pages are served.
HOME = "/v1/rules"

_OPS = {"eq": "is", "ne": "is not", "lt": "is under", "le": "is at most", "gt": "is over", "ge": "is at least"}
_STATE_WORDS = {"recorded": "is charted", "missing": "has no entry", "declined": "was declined with a reason"}


@dataclass(frozen=True, slots=True)
class Choice:
    """A number that a profile chooses for one parameter of a rule, as text beside the default."""

    profile: str
    rule: str
    title: str
    parameter: str
    default: str
    chosen: str
    source: str


def render(book: Rulebook, chosen: Mapping[str, str] | None = None) -> bytes:
    """The list in UTF-8. ``chosen``: which rules, as of ``rulebook.catalogue.narrowed``; all without."""
    chosen = chosen or {}
    rules = narrowed(book, chosen)
    phases = [(phase, [rule for rule in rules if rule.phase == phase]) for phase in book.vocabulary.phases]
    profiles = [chosen["profile"]] if "profile" in chosen else [] if chosen else sorted(book.profiles)
    return html.page(
        "rulebook.html",
        html.FORM_POLICY,
        book=book,
        home=HOME,
        chosen={name: chosen.get(name) for name in FILTERS},
        is_filtered=bool(chosen),
        shown=len(rules),
        phases=[(phase, listed) for phase, listed in phases if listed],
        severities=[(severity, sum(rule.severity == severity for rule in book.rules)) for severity in SEVERITIES],
        profiles=[_profile(book.profiles[name], _choices(book.profiles[name], book)) for name in profiles],
        sources=sorted(book.sources.items()),
        count=count,
        sentence=sentence,
    )


def render_rule(book: Rulebook, rule: Rule) -> bytes:
    """The page of one rule in UTF-8: what it says, when, its limits under every profile, and its sources."""
    choices = [choice for name in sorted(book.profiles) for choice in _choices(book.profiles[name], book)]
    entry = _rule(rule, book, rule_entry(rule, book), choices)
    return html.page("rule.html", book=book, home=HOME, entry=entry, sentence=sentence)


def _shown(value: float, parameter: Parameter) -> str:
    return quantity(value, ucum(parameter.unit))


def _choices(profile: Profile, book: Rulebook) -> list[Choice]:
    """Every number that the profile sets, and every one that follows from those."""
    numbers, sources = profile.numbers, chosen_sources(profile)
    out = []
    for rule in book.rules:
        for parameter in rule.parameters:
            set_at = next((at for at in (f"{rule.id}.{parameter.name}", parameter.of) if at in numbers), None)
            if set_at is not None:
                source = book.sources[sources[set_at]]
                out.append(
                    Choice(
                        profile.id, rule.id, rule.title, word(parameter.name), _shown(parameter.default, parameter),
                        _shown(parameter.under(rule.id, numbers), parameter), f"{source['title']}, {source['edition']}",
                    )
                )  # fmt: skip
    return out


def _profile(profile: Profile, choices: list[Choice]) -> dict[str, Any]:
    return {
        "id": profile.id,
        "version": profile.version,
        "title": profile.title,
        "notes": profile.raw.get("notes", []),
        "choices": [choice for choice in choices if choice.profile == profile.id],
        "severities": sorted(profile.severities.items()),
        "off": profile.off,
    }


def _rule(rule: Rule, book: Rulebook, entry: dict[str, Any], choices: list[Choice]) -> dict[str, Any]:
    kind = book.vocabulary.kinds[rule.about]
    numbers = {
        p.name: {
            "name": word(p.name),
            "default": _shown(p.default, p),
            "range": "fixed" if p.low == p.high else f"{number(p.low)} to {_shown(p.high, p)}",
            "chosen": [
                f"{c.profile}: {c.chosen}" for c in choices if c.rule == rule.id and c.parameter == word(p.name)
            ],
        }
        for p in rule.parameters
    }
    return {
        "rule": rule,
        "basis": BASIS[rule.category],
        "allowed": [severity for severity in SEVERITIES if severity in rule.severity_allowed],
        "parameters": list(numbers.values()),
        "applies": _group(rule.applies_when, kind, rule),
        "fails": _group(rule.fails_when, kind, rule),
        "message": _in_brackets(rule.message, rule, kind),
        "tell_now": _in_brackets(rule.tell_now or "", rule, kind),
        "sources": [source_line(source) for source in entry["sources"]],
        "answers": entry["answers"],
    }


def _in_brackets(text: str, rule: Rule, kind: FactKind) -> str:
    names = {p.name: word(p.name) for p in rule.parameters} | {"at": "time"}
    text = text.replace("{allowed_by}", " [public protocols that allow it]")
    return with_names(text, lambda name: names.get(name) or kind.attributes[name].label)


def _group(group: Group, kind: FactKind, rule: Rule) -> tuple[str, list[Any]]:
    """("all" or "any", terms); a term is a line of text or a group again."""
    return group.mode, [
        _group(term, kind, rule) if isinstance(term, Group) else _leaf(term, kind, rule) for term in group.terms
    ]


def _leaf(leaf: Leaf, kind: FactKind, rule: Rule) -> str:
    label = sentence(kind.attributes[leaf.attribute].label)
    if leaf.op in STATE_OPS:
        return f"{label} {_STATE_WORDS[leaf.op]}"
    if leaf.parameter is not None:
        parameter = next(p for p in rule.parameters if p.name == leaf.parameter)
        return f"{label} {_OPS[leaf.op]} {word(leaf.parameter)} ({_shown(parameter.default, parameter)})"
    if isinstance(leaf.value, bool):
        return f"{label}: {'yes' if leaf.value is (leaf.op == 'eq') else 'no'}"
    return f"{label} {_OPS[leaf.op]} {word(str(leaf.value))}"
