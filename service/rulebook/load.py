"""Reads the rulebook from its directory, checks every rule, and computes the digests.

Errors are collected: ``RulebookError.lines`` has one line for each, with the
file and the member that is wrong.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from service.intake import strict_yaml

from .message import Message, compile_message, placeholders
from .profiles import load_profiles
from .rule import STATE_OPS, VALUE_OPS, Group, Leaf, Parameter, Profile, Rule, Source
from .vocabulary import Attribute, Vocabulary, parse

_ID = re.compile(r"RR-\d{4}")
_NAME = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+)+")
#: A rule is named for the problem, so that "allow X" reads well.
FORBIDDEN_NAMES = re.compile(r"^(?:avoid|use|do-not|dont|check|ensure|must|should)-")
#: What a template has where a new rule has to be filled in; a rule with it is refused.
PLACEHOLDER = "FILL-IN"
_DIGITS_IN_UNIT = {"count", "score"}

REQUIRED = (
    "id", "name", "phase", "category", "handled_by", "about", "severity", "locked", "revision", "title", "parameters",
    "applies_when", "fails_when", "message", "remediation", "why", "answers", "sources", "examples", "history",
)  # fmt: skip
ORDER = (
    "id", "name", "phase", "category", "handled_by", "about", "severity", "locked", "revision", "title", "parameters",
    "applies_when", "fails_when", "message", "tell_now", "remediation", "why", "requires", "answers", "cascade",
    "known_limits", "sources", "examples", "history",
)  # fmt: skip
CASCADES = ("breathing", "sedation", "limb", "fall_in_pressure")


class RulebookError(Exception):
    """The rulebook cannot be used. ``lines``: one for each thing that is wrong."""

    def __init__(self, lines: list[str]) -> None:
        super().__init__("\n".join(lines))
        self.lines = lines


@dataclass(frozen=True, slots=True)
class Rulebook:
    """Everything of one release. ``rules`` in order of their ids; ``messages`` by rule id; ``facts``: published facts that
    rules answer; ``by_key``: rule by id and by name."""

    name: str
    version: str
    digest: str
    rules: tuple[Rule, ...]
    messages: Mapping[str, Message]
    profiles: Mapping[str, Profile]
    profile_digests: Mapping[str, str]
    vocabulary: Vocabulary
    sources: Mapping[str, Mapping[str, Any]]
    facts: Mapping[str, Mapping[str, Any]]
    redirects: Mapping[str, str]
    by_key: Mapping[str, Rule] = field(repr=False)

    def find(self, id_or_name: str) -> Rule | None:
        """The rule of this id or name, or to which ``redirects.yaml`` leads from it; None when there is none."""
        return self.by_key.get(self.redirects.get(id_or_name, id_or_name))


def digest(value: object) -> str:
    """``sha256:`` and the hash of the value as JSON with sorted names and no white space."""
    text = json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return "sha256:" + hashlib.sha256(text.encode()).hexdigest()


class _Slip(Exception):
    pass


def _need(ok: object, text: str) -> None:
    if not ok:
        raise _Slip(text)


def _condition(
    data: Any, attributes: Mapping[str, Attribute], parameters: Mapping[str, Parameter], units: Any, level: int = 1
) -> Group:
    _need(isinstance(data, dict) and len(data) == 1 and next(iter(data)) in ("all", "any"), "a condition is all or any")
    (mode, terms), = data.items()  # fmt: skip
    _need(isinstance(terms, list) and 1 <= len(terms) <= 14, f"{mode}: 1 to 14 terms")
    out: list[Leaf | Group] = []
    for term in terms:
        _need(isinstance(term, dict) and len(term) == 1, "a term has one attribute")
        (name, test), = term.items()  # fmt: skip
        if name in ("all", "any"):
            _need(level < 2, "two levels of all and any at most")
            out.append(_condition(term, attributes, parameters, units, level + 1))
        else:
            out.append(_leaf(name, test, attributes, parameters, units))
    return Group(mode, tuple(out))


def _leaf(
    name: str, test: Any, attributes: Mapping[str, Attribute], parameters: Mapping[str, Parameter], units: Any
) -> Leaf:
    _need(name in attributes, f"unknown attribute {name}")
    attribute = attributes[name]
    _need(isinstance(test, dict) and len(test) == 1, f"{name}: one operator")
    (op, value), = test.items()  # fmt: skip
    if op in STATE_OPS:
        _need(value is True, f"{name}: {op} is written `{op}: true`")
        _need(attribute.from_record, f"{name}: {op} may be asked of members of the record only")
        return Leaf(name, op, True)
    _need(op in VALUE_OPS, f"{name}: unknown operator {op}")
    _need(op in ("eq", "ne") or attribute.type == "int", f"{name}: {op} needs a number")
    if isinstance(value, str) and value.startswith("$"):
        parameter = parameters.get(value[1:])
        _need(parameter is not None, f"{name}: unknown parameter {value}")
        assert parameter is not None
        unit = units[parameter.unit][0]
        fits = attribute.unit == unit or attribute.unit == "reading"
        _need(attribute.type == "int" and fits, f"{name}: {attribute.unit} against {parameter.unit}")
        return Leaf(name, op, None, parameter.name)
    if attribute.type == "int":
        _need(type(value) is int, f"{name}: a whole number")
        _need(attribute.unit in _DIGITS_IN_UNIT or value == 0, f"{name}: a number with a unit needs a parameter")
    elif attribute.type == "bool":
        _need(type(value) is bool, f"{name}: true or false")
    else:
        _need(isinstance(value, str) and value in attribute.values, f"{name}: not one of its words")
    return Leaf(name, op, value)


def _parameters(data: Any, vocabulary: Vocabulary, sources: Mapping[str, Any]) -> tuple[Parameter, ...]:
    _need(isinstance(data, dict), "parameters is a mapping")
    out = []
    for name, entry in data.items():
        _need(
            isinstance(entry, dict) and list(entry) == ["unit", "default", "min", "max", "source"],
            f"parameter {name}: unit, default, min, max, source",
        )
        _need(entry["unit"] in vocabulary.units, f"parameter {name}: unknown unit")
        numbers = [entry["min"], entry["default"], entry["max"]]
        _need(all(type(n) in (int, float) for n in numbers), f"parameter {name}: numbers")
        _need(numbers == sorted(numbers), f"parameter {name}: min <= default <= max")
        _need(entry["source"] in sources, f"parameter {name}: unknown source")
        out.append(Parameter(name, entry["unit"], entry["default"], entry["min"], entry["max"], entry["source"]))
    return tuple(out)


def _sources(data: Any, sources: Mapping[str, Any], vocabulary: Vocabulary) -> tuple[Source, ...]:
    _need(isinstance(data, list) and data, "at least one source")
    out = []
    for entry in data:
        _need(
            isinstance(entry, dict) and list(entry) == ["key", "locator", "supports", "confidence"],
            "source: key, locator, supports, confidence",
        )
        _need(entry["key"] in sources, f"unknown source {entry['key']}")
        _need(entry["confidence"] in vocabulary.confidence, f"source {entry['key']}: unknown confidence")
        out.append(Source(entry["key"], str(entry["locator"]), str(entry["supports"]), entry["confidence"]))
    return tuple(out)


def _rule(
    data: Any, vocabulary: Vocabulary, sources: Mapping[str, Any], facts: Mapping[str, Any]
) -> tuple[Rule, Message]:
    _need(isinstance(data, dict), "a rule is a mapping")
    missing = [key for key in REQUIRED if key not in data]
    _need(not missing, f"missing: {', '.join(missing)}")
    unknown = [key for key in data if key not in ORDER]
    _need(not unknown, f"unknown: {', '.join(unknown)}")
    _need(list(data) == [key for key in ORDER if key in data], "keys in the order of rules/README.md")
    _need(_ID.fullmatch(str(data["id"])), "id: RR- and four digits")
    name = str(data["name"])
    _need(_NAME.fullmatch(name) and not FORBIDDEN_NAMES.search(name), "name: kebab-case, names the problem")
    for key, words in (
        ("phase", vocabulary.phases),
        ("category", vocabulary.categories),
        ("handled_by", vocabulary.handlers),
    ):
        _need(data[key] in words, f"{key}: unknown word")
    _need(data["about"] in vocabulary.kinds, "about: unknown kind")
    severity = data["severity"]
    _need(isinstance(severity, dict) and list(severity) == ["default", "allowed"], "severity: default, allowed")
    _need(
        set(severity["allowed"]) <= set(vocabulary.severities) and severity["default"] in severity["allowed"],
        "severity: unknown or not allowed",
    )
    _need(type(data["locked"]) is bool and type(data["revision"]) is int, "locked is true or false, revision a number")
    _need(not data["locked"] or severity["allowed"] == [severity["default"]], "a locked rule has one severity")
    if data["category"] == "safety":
        _need(data["handled_by"] == "reviewer", "safety goes to the reviewer")
    if data["category"] == "completeness":
        _need(
            data["handled_by"] == "author" or not data["parameters"],
            "a completeness rule for the reviewer shows no limit",
        )
    _need(len(data["title"]) <= 80 and not data["title"].endswith("."), "title: at most 80 characters, no final dot")
    _need(
        ("tell_now" in data) == ("critical" in severity["allowed"]),
        "tell_now stands on every rule that can be critical, and only there",
    )
    attributes = vocabulary.kinds[data["about"]].attributes
    parameters = _parameters(data["parameters"], vocabulary, sources)
    by_name = {p.name: p for p in parameters}
    applies = _condition(data["applies_when"], attributes, by_name, vocabulary.units)
    fails = _condition(data["fails_when"], attributes, by_name, vocabulary.units)
    leaves = applies.leaves() + fails.leaves()
    used = {leaf.parameter for leaf in leaves if leaf.parameter} | set(placeholders(data["message"]))
    _need(set(by_name) <= used, "a parameter is not used")
    _need(len(data["message"]) <= 240, "message: at most 240 characters")
    try:
        message = compile_message(data["message"], attributes, parameters, leaves, vocabulary)
    except KeyError as error:
        raise _Slip(f"message: unknown placeholder {error}") from None
    found = _sources(data["sources"], sources, vocabulary)
    supported = " ".join(s.supports for s in found)
    for parameter in parameters:
        _need(
            parameter.name in supported or parameter.source in {s.key for s in found},
            f"parameter {parameter.name}: no source supports it",
        )
    for fact in data["answers"]:
        _need(fact in facts, f"answers: unknown fact {fact}")
    _need(data.get("cascade") in (None, *CASCADES), "cascade: unknown word")
    _need(isinstance(data["examples"], list) and data["examples"], "examples: at least one")
    history = data["history"]
    _need(
        isinstance(history, list) and history and history[0].get("revision") == data["revision"],
        "history: its top entry is the revision",
    )
    rule = Rule(
        id=data["id"], name=name, phase=data["phase"], category=data["category"], handled_by=data["handled_by"],
        about=data["about"], severity=severity["default"], severity_allowed=tuple(severity["allowed"]),
        locked=data["locked"], revision=data["revision"], title=data["title"], parameters=parameters,
        applies_when=applies, fails_when=fails, message=data["message"], remediation=data["remediation"],
        why=data["why"], tell_now=data.get("tell_now"), requires=tuple(data.get("requires", ())),
        answers=tuple(data["answers"]), cascade=data.get("cascade"), known_limits=tuple(data.get("known_limits", ())),
        sources=found, raw=data,
    )  # fmt: skip
    return rule, message


def _rule_files(directory: Path, vocabulary: Vocabulary) -> list[Path]:
    return sorted(path for phase in vocabulary.phases for path in (directory / phase).glob("*.yaml") if path.is_file())


def load_rulebook(directory: Path, extra: Path | None = None) -> Rulebook:
    """Load ``directory`` and, if given, an agency's ``extra`` directory of the same shape.

    Raises RulebookError with everything that is wrong.
    """
    slips: list[str] = []
    try:
        data = {
            name: strict_yaml.load(directory / f"{name}.yaml")
            for name in ("vocabulary", "sources", "ruleset", "redirects")
        }
        vocabulary = parse(data["vocabulary"])
    except (strict_yaml.YamlError, KeyError, ValueError, TypeError) as error:
        raise RulebookError([f"{directory.name}: {error}"]) from None
    sources, facts = data["sources"]["sources"], data["sources"]["facts"]
    slips += [
        f"sources: fact {name} names an unknown source" for name, fact in facts.items() if fact["source"] not in sources
    ]
    files = _rule_files(directory, vocabulary)
    if extra is not None:
        more_files = _rule_files(extra, vocabulary)
        files += more_files
        if not more_files and not (extra / "profiles").is_dir():
            slips.append(f"{extra.name}: neither rules nor profiles")
        if (extra / "sources.yaml").exists():
            more = strict_yaml.load(extra / "sources.yaml")
            sources = {**more.get("sources", {}), **sources}
            facts = {**more.get("facts", {}), **facts}
    rules: list[Rule] = []
    messages: dict[str, Message] = {}
    titles: dict[str, str] = {}
    keys: dict[str, Rule] = {}
    for path in files:
        try:
            data_of_rule = strict_yaml.load(path)
            _need(PLACEHOLDER not in str(data_of_rule), f"{PLACEHOLDER} is still to be filled in")
            rule, message = _rule(data_of_rule, vocabulary, sources, facts)
            _need(
                path.name == f"{rule.id}-{rule.name}.yaml" and path.parent.name == rule.phase,
                "file name is <phase>/<id>-<name>.yaml",
            )
            for key in (rule.id, rule.name):
                _need(key not in keys, f"{key} is taken")
            _need(rule.title not in titles, f"title is that of {titles.get(rule.title)}")
        except (strict_yaml.YamlError, _Slip) as error:
            slips.append(f"{path.parent.name}/{path.name}: {error}")
            continue
        except (KeyError, TypeError, AttributeError, ValueError) as error:
            slips.append(f"{path.parent.name}/{path.name}: {type(error).__name__}: {error}")
            continue
        rules.append(rule)
        messages[rule.id] = message
        titles[rule.title] = rule.id
        keys[rule.id] = keys[rule.name] = rule
    redirects = data["redirects"]["redirects"]
    slips += [
        f"redirects: {old} is a live rule or leads nowhere"
        for old, new in redirects.items()
        if old in keys or new not in keys
    ]
    rules.sort(key=lambda r: r.number)
    if not rules:
        slips.append(f"{directory.name}: no rules")
    profiles: dict[str, Profile] = {}
    if not slips:
        profiles, more_slips = load_profiles(directory / "profiles", {r.id: r for r in rules}, sources)
        slips += more_slips
        if extra is not None and (extra / "profiles").is_dir():
            added, more_slips = load_profiles(extra / "profiles", {r.id: r for r in rules}, sources)
            slips += more_slips + [f"profile {name} is taken" for name in added if name in profiles]
            profiles.update(added)
        if "default" not in profiles:
            slips.append("profiles: there is no default")
    if slips:
        raise RulebookError(slips)
    return Rulebook(
        name=data["ruleset"]["name"],
        version=data["ruleset"]["version"],
        digest=digest([[r.raw for r in rules], data["vocabulary"], sources, facts, redirects]),
        rules=tuple(rules),
        messages=messages,
        profiles=profiles,
        profile_digests={name: digest(p.raw) for name, p in profiles.items()},
        vocabulary=vocabulary,
        sources=sources,
        facts=facts,
        redirects=redirects,
        by_key=keys,
    )
