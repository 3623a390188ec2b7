"""One rule file: every part checked against the vocabulary, the sources and the laws of the house."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from .attribute_values import value_of
from .message import Allowance, Message, compile_message, placeholders
from .rule import STATE_OPS, VALUE_OPS, Group, Leaf, Parameter, Rule, Source, WorstBy, YieldsTo, multiple
from .vocabulary import Attribute, Vocabulary

_ID = re.compile(r"RR-\d{4}")
_NAME = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+)+")
#: A rule is named for the problem, so that "allow X" reads well.
FORBIDDEN_NAMES = re.compile(r"^(?:avoid|use|do-not|dont|check|ensure|must|should)-")
#: What a template has where a new rule has to be filled in; a rule with it is refused.
PLACEHOLDER = "FILL-IN"
_DIGITS_IN_UNIT = {"count", "score"}

#: The parts of a rule in their order; those in ``OPTIONAL`` may be left out.
ORDER = (
    "id", "name", "phase", "concern", "category", "handled_by", "about", "due", "severity", "locked", "revision",
    "title", "parameters", "applies_when", "fails_when", "worst_by", "message", "allowed_by", "message_many",
    "tell_now", "remediation", "why", "asked_because", "requires", "answers", "yields_to", "cascade", "known_limits", "sources",
    "examples", "history",
)  # fmt: skip
OPTIONAL = frozenset({
    "worst_by", "allowed_by", "message_many", "tell_now", "asked_because", "requires", "yields_to", "cascade", "known_limits",
})  # fmt: skip
#: Words of findings that are shown as one story.
CASCADES = (
    "arrest", "breathing", "sedation", "limb", "fall_in_pressure", "glucose", "temperature", "hands",
    "police_device", "transfer",
)  # fmt: skip


class Slip(Exception):
    """A part of a rule file is wrong. The text says which, for whoever wrote it."""


def need(ok: object, text: str) -> None:
    """Raise Slip with the text unless ``ok`` holds."""
    if not ok:
        raise Slip(text)


def _condition(
    data: Any, attributes: Mapping[str, Attribute], parameters: Mapping[str, Parameter], units: Any, level: int = 1
) -> Group:
    need(isinstance(data, dict) and len(data) == 1 and next(iter(data)) in ("all", "any"), "a condition is all or any")
    (mode, terms), = data.items()  # fmt: skip
    need(isinstance(terms, list) and 1 <= len(terms) <= 14, f"{mode}: 1 to 14 terms")
    out: list[Leaf | Group] = []
    for term in terms:
        need(isinstance(term, dict) and len(term) == 1, "a term has one attribute")
        (name, test), = term.items()  # fmt: skip
        if name in ("all", "any"):
            need(level < 2, "two levels of all and any at most")
            out.append(_condition(term, attributes, parameters, units, level + 1))
        else:
            out.append(_leaf(name, test, attributes, parameters, units))
    return Group(mode, tuple(out))


def _leaf(
    name: str, test: Any, attributes: Mapping[str, Attribute], parameters: Mapping[str, Parameter], units: Any
) -> Leaf:
    need(name in attributes, f"unknown attribute {name}")
    attribute = attributes[name]
    need(isinstance(test, dict) and len(test) == 1, f"{name}: one operator")
    (op, value), = test.items()  # fmt: skip
    if op in STATE_OPS:
        need(value is True, f"{name}: {op} is written `{op}: true`")
        need(attribute.from_record, f"{name}: {op} may be asked of members of the record only")
        return Leaf(name, op, True)
    need(op in VALUE_OPS, f"{name}: unknown operator {op}")
    need(op in ("eq", "ne") or attribute.type == "int", f"{name}: {op} needs a number")
    if isinstance(value, str) and value.startswith("$"):
        parameter = parameters.get(value[1:])
        need(parameter is not None, f"{name}: unknown parameter {value}")
        assert parameter is not None
        unit = units[parameter.unit][0]
        fits = attribute.unit == unit or attribute.unit == "reading"
        need(attribute.type == "int" and fits, f"{name}: {attribute.unit} against {parameter.unit}")
        return Leaf(name, op, None, parameter.name)
    if attribute.type == "int":
        need(type(value) is int, f"{name}: a whole number")
        need(attribute.unit in _DIGITS_IN_UNIT or value == 0, f"{name}: a number with a unit needs a parameter")
    elif attribute.type == "bool":
        need(type(value) is bool, f"{name}: true or false")
    else:
        need(isinstance(value, str) and value in attribute.values, f"{name}: not one of its words")
    return Leaf(name, op, value)


def original(name: str, entry: Any, vocabulary: Vocabulary, sources: Mapping[str, Any]) -> Parameter:
    """A number with its own range and source. Raises Slip."""
    need(
        isinstance(entry, dict) and list(entry) == ["unit", "default", "min", "max", "source"],
        f"parameter {name}: unit, default, min, max, source; or of, times",
    )
    need(entry["unit"] in vocabulary.units, f"parameter {name}: unknown unit")
    numbers = [entry["min"], entry["default"], entry["max"]]
    need(all(type(n) in (int, float) for n in numbers), f"parameter {name}: numbers")
    need(numbers == sorted(numbers), f"parameter {name}: min <= default <= max")
    need(entry["source"] in sources, f"parameter {name}: unknown source")
    return Parameter(name, entry["unit"], entry["default"], entry["min"], entry["max"], entry["source"])


def _derived(name: str, entry: Mapping[str, Any], originals: Mapping[str, Parameter]) -> Parameter:
    need(list(entry) in (["of"], ["of", "times"]), f"parameter {name}: of, times")
    of, times = entry["of"], entry.get("times", 1)
    need(isinstance(of, str) and of in originals, f"parameter {name}: {of} is no number with a range of its own")
    need(type(times) in (int, float) and times > 0, f"parameter {name}: times is a number above 0")
    first = originals[of]
    default, low, high = (multiple(number, times) for number in (first.default, first.low, first.high))
    return Parameter(name, first.unit, default, low, high, first.source, of, times)


def _parameters(
    data: Any, vocabulary: Vocabulary, sources: Mapping[str, Any], originals: Mapping[str, Parameter]
) -> tuple[Parameter, ...]:
    need(isinstance(data, dict), "parameters is a mapping")
    return tuple(
        _derived(name, entry, originals)
        if isinstance(entry, dict) and "of" in entry
        else original(name, entry, vocabulary, sources)
        for name, entry in data.items()
    )


def _sources(data: Any, sources: Mapping[str, Any], vocabulary: Vocabulary) -> tuple[Source, ...]:
    need(isinstance(data, list) and data, "at least one source")
    out = []
    for entry in data:
        need(
            isinstance(entry, dict) and list(entry) == ["key", "locator", "supports", "confidence"],
            "source: key, locator, supports, confidence",
        )
        need(entry["key"] in sources, f"unknown source {entry['key']}")
        need(entry["confidence"] in vocabulary.confidence, f"source {entry['key']}: unknown confidence")
        out.append(Source(entry["key"], str(entry["locator"]), str(entry["supports"]), entry["confidence"]))
    return tuple(out)


@dataclass(frozen=True, slots=True)
class RuleTexts:
    """The compiled texts of one rule. ``many``: its ``message_many``; ``tell_now``: on rules that can be critical."""

    message: Message
    many: Message | None
    tell_now: Message | None

    @property
    def attributes(self) -> tuple[str, ...]:
        """The attributes that the texts name."""
        texts = (self.message, self.many, self.tell_now)
        return tuple(name for text in texts if text is not None for name in text.attributes)


#: Lists of words of the vocabulary -> the part of a rule that holds one of them.
_WORDS = {"phases": "phase", "concerns": "concern", "categories": "category", "handlers": "handled_by", "dues": "due"}
#: The parts that are a text, and those that are a list of texts.
_TEXTS = ("title", "message", "message_many", "tell_now", "remediation", "why")
_LISTS_OF_TEXTS = ("requires", "answers", "known_limits")
#: The most characters of a text that is told.
_LONGEST = {"message": 240, "message_many": 240, "tell_now": 240}


def read_rule(
    data: Any,
    vocabulary: Vocabulary,
    sources: Mapping[str, Any],
    facts: Mapping[str, Any],
    originals: Mapping[str, Parameter],
) -> tuple[Rule, RuleTexts]:
    """The rule of a loaded YAML file. Raises Slip.

    ``sources`` and ``facts``: those of ``sources.yaml``. ``originals``: the numbers that others may follow, by full name.
    """
    need(isinstance(data, dict), "a rule is a mapping")
    missing = [key for key in ORDER if key not in data and key not in OPTIONAL]
    need(not missing, f"missing: {', '.join(missing)}")
    unknown = [key for key in data if key not in ORDER]
    need(not unknown, f"unknown: {', '.join(unknown)}")
    need(list(data) == [key for key in ORDER if key in data], "keys in the order of rules/README.md")
    _only_texts(data)
    need(_ID.fullmatch(str(data["id"])), "id: RR- and four digits")
    name = str(data["name"])
    need(_NAME.fullmatch(name) and not FORBIDDEN_NAMES.search(name), "name: kebab-case, names the problem")
    for listed, part in _WORDS.items():
        words = getattr(vocabulary, listed)
        need(data[part] in words, f"{part}: one of {', '.join(words)}")
    need(data["about"] in vocabulary.kinds, f"about: one of {', '.join(vocabulary.kinds)}")
    _severity(data, vocabulary)
    need(len(data["title"]) <= 80 and not data["title"].endswith("."), "title: at most 80 characters, no final dot")
    for part, most in _LONGEST.items():
        need(len(data.get(part, "")) <= most, f"{part}: at most {most} characters")
    attributes = vocabulary.kinds[data["about"]].attributes
    parameters = _parameters(data["parameters"], vocabulary, sources, originals)
    by_name = {p.name: p for p in parameters}
    applies = _condition(data["applies_when"], attributes, by_name, vocabulary.units)
    fails = _condition(data["fails_when"], attributes, by_name, vocabulary.units)
    leaves = applies.leaves() + fails.leaves()
    texts = _texts(data, attributes, parameters, leaves, vocabulary)
    used = {leaf.parameter for leaf in leaves if leaf.parameter} | set(placeholders(data["message"]))
    need(set(by_name) <= used, "a parameter is not used")
    found = _sources(data["sources"], sources, vocabulary)
    supported = " ".join(s.supports for s in found)
    for parameter in parameters:
        need(
            parameter.of or parameter.name in supported or parameter.source in {s.key for s in found},
            f"parameter {parameter.name}: no source supports it",
        )
    for fact in data["answers"]:
        need(fact in facts, f"answers: unknown fact {fact}")
    need(data.get("cascade") in (None, *CASCADES), f"cascade: one of {', '.join(CASCADES)}")
    need(isinstance(data["examples"], list) and data["examples"], "examples: at least one")
    history = data["history"]
    need(
        isinstance(history, list) and history and history[0].get("revision") == data["revision"],
        "history: its top entry is the revision",
    )
    rule = Rule(
        id=data["id"], name=name, phase=data["phase"], concern=data["concern"], category=data["category"],
        handled_by=data["handled_by"], about=data["about"], due=data["due"], severity=data["severity"]["default"],
        severity_allowed=tuple(data["severity"]["allowed"]), locked=data["locked"], revision=data["revision"],
        title=data["title"], parameters=parameters, applies_when=applies, fails_when=fails,
        worst_by=_worst_by(data, attributes), message=data["message"], message_many=data.get("message_many"),
        tell_now=data.get("tell_now"), remediation=data["remediation"], why=data["why"],
        asked_because=_asked_because(data, facts), yields_to=_yields_to(data), requires=tuple(data.get("requires", ())),
        answers=tuple(data["answers"]), cascade=data.get("cascade"), known_limits=tuple(data.get("known_limits", ())),
        sources=found, raw=data,
    )  # fmt: skip
    return rule, texts


def _only_texts(data: Mapping[str, Any]) -> None:
    """YAML reads a text with a colon and a space in it as a mapping, unless it stands in quotes."""
    for part in _TEXTS:
        need(isinstance(data.get(part, ""), str), f"{part}: a text; one with a colon in it stands in quotes")
    for part in _LISTS_OF_TEXTS:
        listed = data.get(part, [])
        need(isinstance(listed, list), f"{part}: a list of texts")
        for place, text in enumerate(listed, 1):
            need(isinstance(text, str), f"{part}, entry {place}: a text; one with a colon in it stands in quotes")


def _severity(data: Mapping[str, Any], vocabulary: Vocabulary) -> None:
    severity, handler = data["severity"], data["handled_by"]
    need(isinstance(severity, dict) and list(severity) == ["default", "allowed"], "severity: default, allowed")
    need(
        set(severity["allowed"]) <= set(vocabulary.severities) and severity["default"] in severity["allowed"],
        "severity: unknown or not allowed",
    )
    need(type(data["locked"]) is bool and type(data["revision"]) is int, "locked is true or false, revision a number")
    need(not data["locked"] or severity["allowed"] == [severity["default"]], "a locked rule has one severity")
    need(
        ("tell_now" in data) == ("critical" in severity["allowed"]),
        "tell_now stands on every rule that can be critical, and only there",
    )
    if data["category"] == "safety":
        need(handler == "reviewer", "safety goes to the reviewer")
    if data["category"] == "completeness":
        need(handler != "reviewer" or not data["parameters"], "a completeness rule for the reviewer shows no limit")
    if handler == "measures":
        need(data["category"] == "completeness", "handled_by: only a completeness rule is for measures")
        need(severity["default"] == "info", "handled_by: a rule for measures is info")


def _asked_because(data: Mapping[str, Any], facts: Mapping[str, Any]) -> str | None:
    """Why the author is asked: what the next clinician needs it for, or what a list that is due at closing says."""
    said = data.get("asked_because")
    asked = data["category"] == "completeness" and data["handled_by"] == "author"
    need(asked == (said is not None), "asked_because stands on every completeness rule of the author, and only there")
    if isinstance(said, dict):
        need(
            list(said) == ["list"] and said["list"] in facts, "asked_because: a text, or list and a fact of the sources"
        )
        listed = facts[said["list"]]
        need(listed.get("due_at_closing") is True, f"asked_because: {said['list']} is not marked due_at_closing")
        return f"A published list asks for it: {listed['says']}"
    need(said is None or (isinstance(said, str) and 0 < len(said) <= 160), "asked_because: at most 160 characters")
    return said


def _texts(
    data: Mapping[str, Any],
    attributes: Mapping[str, Attribute],
    parameters: tuple[Parameter, ...],
    leaves: tuple[Leaf, ...],
    vocabulary: Vocabulary,
) -> RuleTexts:
    made: dict[str, Message] = {}
    allowances = _allowances(data, attributes, vocabulary)
    for part in ("message", "message_many", "tell_now"):
        if part in data:
            several = part == "message_many"
            try:
                made[part] = compile_message(
                    data[part],
                    attributes,
                    parameters,
                    leaves,
                    vocabulary,
                    several=several,
                    allowances=allowances if part == "message" else (),
                )
            except KeyError as error:
                raise Slip(f"{part}: unknown placeholder {error}") from None
    said = data.get("tell_now")
    need(said is None or said.count(". ") == 1, "tell_now: two sentences, what is charted and what to check or tell")
    return RuleTexts(made["message"], made.get("message_many"), made.get("tell_now"))


def _allowances(
    data: Mapping[str, Any], attributes: Mapping[str, Attribute], vocabulary: Vocabulary
) -> tuple[Allowance, ...]:
    """``[{drug: midazolam, total: {le: 20 mg}, by: [...]}]``."""
    said = data.get("allowed_by", [])
    form = "allowed_by: words, one number with le or ge, and by"
    need(isinstance(said, list), form)
    need(bool(said) == ("{allowed_by}" in data["message"]), "allowed_by and its place in the message belong together")
    out = []
    for entry in said:
        need(isinstance(entry, dict) and isinstance(entry.get("by"), list) and entry["by"], form)
        need(set(entry) - {"by"} <= set(attributes), "allowed_by: unknown attribute")
        numbers = {name: test for name, test in entry.items() if isinstance(test, dict)}
        need(len(numbers) == 1, form)
        ((number, test),) = numbers.items()
        need(list(test) in (["le"], ["ge"]), form)
        words = {name: word for name, word in entry.items() if name not in ("by", number)}
        try:
            limit = int(value_of(next(iter(test.values())), attributes[number], vocabulary.units))
            for name, word in words.items():
                value_of(word, attributes[name], vocabulary.units)
        except ValueError as error:
            raise Slip(f"allowed_by: {error}") from None
        out.append(Allowance(words, number, "le" in test, limit, tuple(entry["by"])))
    return tuple(out)


def _worst_by(data: Mapping[str, Any], attributes: Mapping[str, Attribute]) -> WorstBy | None:
    if "worst_by" not in data:
        return None
    said = data["worst_by"]
    need(isinstance(said, dict) and len(said) == 1, "worst_by: one attribute, low or high")
    ((name, way),) = said.items()
    need(name in attributes and attributes[name].type == "int", f"worst_by: {name} is not a number")
    need(way in ("low", "high"), "worst_by: one attribute, low or high")
    return WorstBy(name, way == "low")


def _yields_to(data: Mapping[str, Any]) -> tuple[YieldsTo, ...]:
    said = data.get("yields_to", [])
    need(isinstance(said, list), "yields_to: a list of {rule, on}")
    for entry in said:
        need(isinstance(entry, dict) and list(entry) == ["rule", "on"], "yields_to: a list of {rule, on}")
        need(entry["on"] in ("fact", "item", "time"), "yields_to: on is fact, item or time")
    return tuple(YieldsTo(entry["rule"], entry["on"]) for entry in said)


def circles(rules: Mapping[str, Rule]) -> list[str]:
    """One line for every rule that yields to itself through others, or to a rule that is not there."""
    lines = []
    for rule in rules.values():
        reached, ahead = set(), [rule]
        while ahead:
            for upper in (above.rule for above in ahead.pop().yields_to):
                if upper not in rules:
                    lines.append(f"{rule.id}: yields_to: unknown rule {upper}")
                elif upper not in reached:
                    reached.add(upper)
                    ahead.append(rules[upper])
        if rule.id in reached:
            lines.append(f"{rule.id}: yields_to leads in a circle")
    return sorted(set(lines))
