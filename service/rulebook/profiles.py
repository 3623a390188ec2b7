"""Profiles: an agency's choices, checked against what each rule allows, and rules bound to them."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any

from . import file_shapes
from .attribute_values import scaled
from .rule import BoundRule, Group, Leaf, Parameter, Profile, Rule, SwitchOff
from .rule_file import PLACEHOLDER, Slip

_ID = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+)*")


def _is_date(text: object) -> bool:
    try:
        return isinstance(text, str) and date.fromisoformat(text).isoformat() == text
    except ValueError:
        return False


def _said(text: object) -> bool:
    return isinstance(text, str) and bool(text.strip())


def _number(
    name: str, parameter: Parameter, choice: Any, sources: Mapping[str, Any], slips: list[str]
) -> int | float | None:
    value: Any = choice.get("value") if isinstance(choice, dict) else choice
    source = choice.get("source") if isinstance(choice, dict) else None
    strange = [key for key in choice if key not in ("value", "source", "locator")] if isinstance(choice, dict) else []
    if strange:
        slips.append(f"{name}: unknown: {', '.join(strange)}")
    elif parameter.of is not None:
        slips.append(f"{name}: follows {parameter.of}; set that one")
    elif type(value) not in (int, float) or not parameter.low <= value <= parameter.high:
        slips.append(f"{name}: outside {parameter.low} to {parameter.high}")
    elif source not in sources:
        slips.append(f"{name}: a value needs a source")
    else:
        return value  # type: ignore[no-any-return]
    return None


def _profile(
    data: Any, rules: Mapping[str, Rule], shared: Mapping[str, Parameter], sources: Mapping[str, Any]
) -> tuple[Profile, list[str]]:
    slips: list[str] = []
    unknown = [key for key in data if key not in file_shapes.PROFILE_PARTS]
    if unknown:
        slips.append(f"unknown: {', '.join(unknown)}")
    parameters: dict[str, dict[str, int | float]] = {}
    for rule_id, choices in data.get("parameters", {}).items():
        rule = rules.get(rule_id)
        known = {p.name: p for p in rule.parameters} if rule else {}
        if rule is None:
            slips.append(f"parameters: unknown rule {rule_id}")
            continue
        if not isinstance(choices, dict):
            slips.append(f"{rule_id}: no number stands below it")
            continue
        parameters[rule_id] = {}
        for name, choice in choices.items():
            parameter = known.get(name)
            if parameter is None:
                slips.append(f"{rule_id}: unknown parameter {name}")
                continue
            value = _number(f"{rule_id}.{name}", parameter, choice, sources, slips)
            if value is not None:
                parameters[rule_id][name] = value
    of_several: dict[str, int | float] = {}
    for name, choice in data.get("shared", {}).items():
        if name not in shared:
            slips.append(f"shared: unknown {name}")
            continue
        value = _number(name, shared[name], choice, sources, slips)
        if value is not None:
            of_several[name] = value
    severities: dict[str, str] = {}
    for rule_id, choice in data.get("severities", {}).items():
        rule = rules.get(rule_id)
        severity = choice.get("severity") if isinstance(choice, dict) else choice
        if rule is None:
            slips.append(f"severities: unknown rule {rule_id}")
        elif rule.locked or severity not in rule.severity_allowed:
            slips.append(f"{rule_id}: severity is not allowed")
        elif not isinstance(choice, dict) or choice.get("source") not in sources:
            slips.append(f"{rule_id}: a severity needs a source")
        elif strange := [key for key in choice if key not in ("severity", "source", "locator")]:
            slips.append(f"{rule_id}: unknown: {', '.join(strange)}")
        else:
            severities[rule_id] = severity
    measures: dict[str, str] = {}
    for rule_id, reason in data.get("measures", {}).items():
        rule = rules.get(rule_id)
        if rule is None:
            slips.append(f"measures: unknown rule {rule_id}")
        elif rule.category != "completeness" or severities.get(rule_id, rule.severity) == "critical":
            slips.append(f"measures: {rule_id} is not a completeness rule under critical")
        elif rule.locked:
            slips.append(f"measures: {rule_id} is locked")
        elif not _said(reason):
            slips.append(f"measures: {rule_id} needs a reason")
        else:
            measures[rule_id] = reason
    if PLACEHOLDER in str(data):
        slips.append(f"{PLACEHOLDER} is still to be filled in")
    if "reviewed" in data and not _is_date(data["reviewed"]):
        slips.append('reviewed: a day, such as "2026-11-29"')
    if not _said(data["title"]):
        slips.append("title: says nothing")
    off: list[SwitchOff] = []
    for entry in data.get("off", []):
        strange = [key for key in entry if key not in ("rule", "reason", "owner", "ends")]
        if strange:
            slips.append(f"off: unknown: {', '.join(strange)}")
        rule = rules.get(entry.get("rule"))
        if rule is None:
            slips.append(f"off: unknown rule {entry.get('rule')}")
        elif rule.locked:
            slips.append(f"off: {rule.id} is locked")
        elif rule.id in {known.rule for known in off}:
            slips.append(f"off: {rule.id} twice")
        elif not _said(entry.get("reason")) or not _said(entry.get("owner")) or not _is_date(entry.get("ends")):
            slips.append(f"off: {rule.id} needs reason, owner and end date")
        else:
            off.append(SwitchOff(rule.id, entry["reason"], entry["owner"], entry["ends"]))
    profile = Profile(
        data["profile"], data["version"], data["title"], parameters, of_several, severities, measures, tuple(off), data
    )
    return profile, slips


def load_profiles(
    directory: Path, rules: Mapping[str, Rule], shared: Mapping[str, Parameter], sources: Mapping[str, Any]
) -> tuple[dict[str, Profile], list[str]]:
    """Every profile of a directory by its id, and one line for each thing that is wrong."""
    out: dict[str, Profile] = {}
    slips: list[str] = []
    for path in sorted(directory.glob("*.yaml")):
        try:
            profile, found = _profile(file_shapes.read_profile(path), rules, shared, sources)
        except Slip as slip:
            slips.append(str(slip))
            continue
        except TypeError:
            slips.append(f"{path.name}: a list or a mapping stands where a word is asked for")
            continue
        if profile.id != path.stem or not _ID.fullmatch(profile.id):
            found.append("file name is the profile's id")
        slips += [f"{path.name}: {line}" for line in found]
        out[profile.id] = profile
    return out, slips


def chosen_sources(profile: Profile) -> dict[str, str]:
    """The source of every number that a profile chooses, by full name."""
    raw: Any = profile.raw
    own = {
        f"{rule}.{name}": choice["source"]
        for rule, choices in raw.get("parameters", {}).items()
        for name, choice in choices.items()
    }
    return own | {name: choice["source"] for name, choice in raw.get("shared", {}).items()}


def _bound(group: Group, literals: Mapping[str, int]) -> Group:
    terms: list[Leaf | Group] = []
    for term in group.terms:
        if isinstance(term, Group):
            terms.append(_bound(term, literals))
        elif term.parameter is None:
            terms.append(term)
        else:
            terms.append(Leaf(term.attribute, term.op, literals[term.parameter]))
    return Group(group.mode, tuple(terms))


def bind(
    rule: Rule,
    units: Mapping[str, tuple[str, int]],
    numbers: Mapping[str, int | float],
    severity: str | None = None,
    *,
    counted: bool = False,
) -> BoundRule:
    """The rule with ``numbers`` (by full name, ``RR-1239.max_im``), else its defaults, as literals in the attributes' units.

    ``counted``: the profile wants it measured and not asked. A rule for measures that a profile raises is asked.
    """
    chosen = {p.name: p.under(rule.id, numbers) for p in rule.parameters}
    literals = {p.name: scaled(chosen[p.name], p.unit, units) for p in rule.parameters}
    bound = severity or rule.severity
    asked = "author" if rule.handled_by == "measures" and bound != "info" else rule.handled_by
    return BoundRule(
        rule,
        bound,
        "measures" if counted else asked,
        _bound(rule.applies_when, literals),
        _bound(rule.fails_when, literals),
        chosen,
    )


def bind_all(rules: tuple[Rule, ...], profile: Profile, units: Mapping[str, tuple[str, int]]) -> tuple[BoundRule, ...]:
    """Every rule under one profile, also those switched off: whether one is off depends on the date of the record."""
    numbers = profile.numbers
    return tuple(
        bind(rule, units, numbers, profile.severities.get(rule.id), counted=rule.id in profile.measures)
        for rule in rules
    )
