"""Reads the rulebook from its directory, checks every rule, and computes the digests.

Errors are collected: ``RulebookError.lines`` has one line for each, with the
file and the member that is wrong.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from service.intake import strict_yaml
from service.narrative.reader import Reader

from . import file_shapes
from .narrative_files import load_narrative
from .profiles import load_profiles
from .rule import Parameter, Profile, Rule
from .rule_file import PLACEHOLDER, RuleTexts, Slip, circles, need, original, read_rule
from .vocabulary import Vocabulary, parse


class RulebookError(Exception):
    """The rulebook cannot be used. ``lines``: one for each thing that is wrong."""

    def __init__(self, lines: list[str]) -> None:
        super().__init__("\n".join(lines))
        self.lines = lines


@dataclass(frozen=True, slots=True)
class Rulebook:
    """Everything of one release. ``rules`` in order of their ids; ``texts`` by rule id; ``facts``: published facts that
    rules answer; ``shared``: numbers of several rules; ``narrative``: reads narratives by the declared families;
    ``by_key``: rule by id and by name."""

    name: str
    version: str
    digest: str
    rules: tuple[Rule, ...]
    texts: Mapping[str, RuleTexts]
    profiles: Mapping[str, Profile]
    profile_digests: Mapping[str, str]
    vocabulary: Vocabulary
    sources: Mapping[str, Mapping[str, Any]]
    facts: Mapping[str, Mapping[str, Any]]
    redirects: Mapping[str, str]
    shared: Mapping[str, Parameter]
    narrative: Reader = field(repr=False)
    by_key: Mapping[str, Rule] = field(repr=False)

    def find(self, id_or_name: str) -> Rule | None:
        """The rule of this id or name, or to which ``redirects.yaml`` leads from it; None when there is none."""
        return self.by_key.get(self.redirects.get(id_or_name, id_or_name))


def digest(value: object) -> str:
    """``sha256:`` and the hash of the value as JSON with sorted names and no white space."""
    text = json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return "sha256:" + hashlib.sha256(text.encode()).hexdigest()


def _rule_files(directory: Path, vocabulary: Vocabulary) -> list[Path]:
    return sorted(path for phase in vocabulary.phases for path in (directory / phase).glob("*.yaml"))


def _not_read(directory: Path, files: list[Path]) -> list[str]:
    """Slips for files that look like a part of an agency's rulebook and lie, or are named, as none is."""
    found = {path for pattern in ("RR-*.y*ml", "*/RR-*.y*ml", "*/*.yml") for path in directory.glob(pattern)}
    return [
        f"{path.relative_to(directory)}: not read: a rule lies in the folder of its phase, and files end in .yaml"
        for path in sorted(found.difference(files))
        if not path.parent.name.startswith(".")  # Kubernetes keeps its copies of a volume in ..data
    ]


def _originals(rules: Iterable[Any], vocabulary: Vocabulary, sources: Mapping[str, Any]) -> dict[str, Parameter]:
    """The numbers with a range of their own, by full name. One that is wrong is left out: its rule says so."""
    out = {}
    for data in rules:
        parameters = data.get("parameters") if isinstance(data, dict) else None
        for name, entry in parameters.items() if isinstance(parameters, dict) else ():
            try:
                out[f"{data.get('id')}.{name}"] = original(name, entry, vocabulary, sources)
            except (Slip, TypeError):
                continue
    return out


def load_rulebook(directory: Path, extra: Path | None = None) -> Rulebook:
    """Load ``directory`` and, if given, an agency's ``extra`` directory of the same shape.

    Raises RulebookError with everything that is wrong.
    """
    slips: list[str] = []
    data: dict[str, Any] = {}
    for name in ("vocabulary", "inputs", "sources", "ruleset", "redirects"):
        try:
            data[name] = file_shapes.read(directory, name)
        except Slip as slip:
            slips.append(str(slip))
    if slips:
        raise RulebookError(slips)
    try:
        reader, families, narrative_slips = load_narrative(directory, extra)
        if reader is None:
            raise RulebookError(narrative_slips)
        slips += narrative_slips
        vocabulary = parse(data["vocabulary"], data["inputs"], reader.families)
    except (LookupError, AttributeError, ValueError) as error:
        raise RulebookError([f"vocabulary.yaml: {error}"]) from None
    sources, facts = data["sources"]["sources"], data["sources"]["facts"]
    files = _rule_files(directory, vocabulary)
    if extra is not None:
        more_files = _rule_files(extra, vocabulary)
        files += more_files
        slips += _not_read(extra, more_files)
        if not more_files and not any((extra / part).is_dir() for part in ("profiles", "narrative")):
            slips.append(f"{extra.name}: neither rules nor profiles nor families of the narrative")
        try:
            more = file_shapes.read_more_sources(extra)
        except Slip as slip:
            raise RulebookError([f"{extra.name}/{slip}"]) from None
        sources = {**more.get("sources", {}), **sources}
        facts = {**more.get("facts", {}), **facts}
    slips += [
        f"sources.yaml: fact {name} names an unknown source"
        for name, fact in facts.items()
        if fact["source"] not in sources
    ]
    rules: list[Rule] = []
    texts: dict[str, RuleTexts] = {}
    titles: dict[str, str] = {}
    keys: dict[str, Rule] = {}
    loaded: dict[Path, Any] = {}
    for path in files:
        try:
            loaded[path] = strict_yaml.load(path)
        except strict_yaml.YamlError as error:
            slips.append(f"{path.parent.name}/{path.name}: {error}")
    shared: dict[str, Parameter] = {}
    for name, entry in data["ruleset"].get("shared", {}).items():
        try:
            shared[name] = original(name, entry, vocabulary, sources)
        except Slip as slip:
            slips.append(f"ruleset.yaml: {slip}")
    originals = {**shared, **_originals(loaded.values(), vocabulary, sources)}
    for path, data_of_rule in loaded.items():
        try:
            left = [part for part, value in dict(data_of_rule).items() if PLACEHOLDER in str(value)]
            need(not left, f"{PLACEHOLDER} is still to be filled in: {', '.join(left)}")
            rule, written = read_rule(data_of_rule, vocabulary, sources, facts, originals)
            need(
                path.name == f"{rule.id}-{rule.name}.yaml" and path.parent.name == rule.phase,
                "file name is <phase>/<id>-<name>.yaml",
            )
            for key in (rule.id, rule.name):
                need(key not in keys, f"{key} is taken")
            need(rule.title not in titles, f"title is that of {titles.get(rule.title)}")
        except Slip as error:
            slips.append(f"{path.parent.name}/{path.name}: {error}")
            continue
        except (LookupError, TypeError, AttributeError, ValueError):
            slips.append(f"{path.parent.name}/{path.name}: a part has another form than rules/README.md shows")
            continue
        rules.append(rule)
        texts[rule.id] = written
        titles[rule.title] = rule.id
        keys[rule.id] = keys[rule.name] = rule
    redirects = data["redirects"]["redirects"]
    slips += [
        f"redirects: {old} is a live rule or leads nowhere"
        for old, new in redirects.items()
        if old in keys or new not in keys
    ]
    rules.sort(key=lambda r: r.number)
    slips += circles({rule.id: rule for rule in rules})
    if not rules:
        slips.append(f"{directory.name}: no rules")
    profiles: dict[str, Profile] = {}
    if not slips:
        profiles, more_slips = load_profiles(directory / "profiles", {r.id: r for r in rules}, shared, sources)
        slips += more_slips
        if extra is not None and (extra / "profiles").is_dir():
            added, more_slips = load_profiles(extra / "profiles", {r.id: r for r in rules}, shared, sources)
            if PLACEHOLDER in str(more):
                slips.append(f"{extra.name}/sources.yaml: {PLACEHOLDER} is still to be filled in")
            slips += more_slips + [f"profile {name} is taken" for name in added if name in profiles]
            profiles.update(added)
        if "default" not in profiles:
            slips.append("profiles: there is no default")
    if slips:
        raise RulebookError(slips)
    return Rulebook(
        name=data["ruleset"]["name"],
        version=data["ruleset"]["version"],
        digest=digest(
            [
                [r.raw for r in rules],
                data["ruleset"].get("shared", {}),
                data["vocabulary"],
                data["inputs"],
                families,
                sources,
                facts,
                redirects,
            ]
        ),
        rules=tuple(rules),
        texts=texts,
        profiles=profiles,
        profile_digests={name: digest(p.raw) for name, p in profiles.items()},
        vocabulary=vocabulary,
        sources=sources,
        facts=facts,
        redirects=redirects,
        shared=shared,
        narrative=reader,
        by_key=keys,
    )
