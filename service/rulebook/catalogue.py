"""The rulebook as documents: what ``/v1/rules``, ``/v1/profiles`` and ``/v1/facts`` answer."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

from .load import Rulebook
from .rule import Profile, Rule


def _sources(rule: Rule, book: Rulebook) -> list[dict[str, Any]]:
    return [
        {
            "key": source.key,
            **{part: book.sources[source.key][part] for part in ("title", "publisher", "edition")},
            "locator": source.locator,
            "supports": source.supports,
            "confidence": source.confidence,
        }
        for source in rule.sources
    ]


def rule_entry(rule: Rule, book: Rulebook) -> dict[str, Any]:
    """One rule as JSON data, without its examples."""
    out: dict[str, Any] = {
        "id": rule.id,
        "name": rule.name,
        "revision": rule.revision,
        "title": rule.title,
        "phase": rule.phase,
        "concern": rule.concern,
        "category": rule.category,
        "severity": rule.severity,
        "severity_allowed": list(rule.severity_allowed),
        "handled_by": rule.handled_by,
        "about": rule.about,
        "due": rule.due,
        "locked": rule.locked,
        "parameters": [
            {"name": p.name, "unit": p.unit, "default": p.default, "min": p.low, "max": p.high, "source": p.source}
            | ({"of": p.of, "times": p.times} if p.of else {})
            for p in rule.parameters
        ],
        "applies_when": rule.raw["applies_when"],
        "fails_when": rule.raw["fails_when"],
        "message": rule.message,
        "remediation": rule.remediation,
        "why": rule.why,
        "known_limits": list(rule.known_limits),
        "requires": list(rule.requires),
        "answers": [{"fact": fact, "says": book.facts[fact]["says"]} for fact in rule.answers],
        "sources": _sources(rule, book),
        "history": rule.raw["history"],
    }
    for part in ("worst_by", "allowed_by", "message_many", "tell_now", "yields_to", "cascade"):
        if part in rule.raw:
            out[part] = rule.raw[part]
    if rule.asked_because is not None:
        out["asked_because"] = rule.asked_because
    return out


def _ruleset(book: Rulebook) -> dict[str, str]:
    return {"name": book.name, "version": book.version, "digest": book.digest}


#: What rules can be narrowed by.
FILTERS = ("phase", "concern", "severity", "handled_by", "profile")


def words_of(book: Rulebook) -> dict[str, tuple[str, ...]]:
    """The known words of each filter."""
    known = book.vocabulary
    words = (known.phases, known.concerns, known.severities, known.handlers, tuple(sorted(book.profiles)))
    return dict(zip(FILTERS, words, strict=True))


def narrowed(book: Rulebook, chosen: Mapping[str, str]) -> list[Rule]:
    """The rules with these words, in the order of ids; with ``profile``, those that it changes: a number, the severity, whether
    it is asked or on."""
    changed = _changed(book, chosen["profile"]) if "profile" in chosen else None
    parts = {name: word for name, word in chosen.items() if name != "profile"}
    return [
        rule
        for rule in book.rules
        if (changed is None or rule.id in changed) and all(getattr(rule, name) == word for name, word in parts.items())
    ]


def _changed(book: Rulebook, profile: str) -> set[str]:
    chosen = book.profiles[profile]
    numbers = chosen.numbers
    by_number = {
        rule.id for rule in book.rules for p in rule.parameters if f"{rule.id}.{p.name}" in numbers or p.of in numbers
    }
    return by_number | {*chosen.severities, *chosen.measures, *(each.rule for each in chosen.off)}


def rules_document(book: Rulebook, chosen: Mapping[str, str] | None = None) -> dict[str, Any]:
    """Every rule as JSON data, or those that are ``narrowed`` to, in the order of ids."""
    return {"ruleset": _ruleset(book), "rules": [rule_entry(rule, book) for rule in narrowed(book, chosen or {})]}


def rule_document(book: Rulebook, id_or_name: str) -> dict[str, Any] | None:
    """One rule by id or name with its examples, None when there is none."""
    rule = book.find(id_or_name)
    return None if rule is None else {**rule_entry(rule, book), "examples": rule.raw["examples"]}


def family_document(book: Rulebook, name: str) -> dict[str, Any] | None:
    """One family of the narrative as JSON data, None when there is none."""
    family = book.narrative.families.get(name)
    if family is None:
        return None
    return {
        "family": family.name,
        "says": family.says,
        "held_against": list(family.held_against),
        "lists": {key: list(words) for key, words in family.lists.items()},
        "patterns": list(family.patterns),
        "masks": list(family.masks),
        "denials": list(family.denials),
        "proves": list(family.proves),
        "innocent": list(family.innocent),
    }


def _profile(profile: Profile, book: Rulebook, served: Collection[str]) -> dict[str, Any]:
    return {
        "id": profile.id,
        "version": profile.version,
        "title": profile.title,
        **{part: profile.raw[part] for part in ("edition", "reviewed") if part in profile.raw},
        "served": profile.id in served,
        "digest": book.profile_digests[profile.id],
        "notes": profile.raw.get("notes", []),
        "parameters": profile.raw.get("parameters", {}),
        "shared": profile.raw.get("shared", {}),
        "severities": profile.raw.get("severities", {}),
        "measures": dict(profile.measures),
        "off": [{"rule": s.rule, "reason": s.reason, "owner": s.owner, "ends": s.ends} for s in profile.off],
    }


def profiles_document(book: Rulebook, served: Collection[str]) -> dict[str, Any]:
    """Every profile with its choices as JSON data, in the order of ids. ``served``: those that reviews are made under."""
    return {
        "ruleset": _ruleset(book),
        "profiles": [_profile(book.profiles[name], book, served) for name in sorted(book.profiles)],
    }


def profile_document(book: Rulebook, name: str, served: Collection[str]) -> dict[str, Any] | None:
    """One profile by its id, None when there is none."""
    return _profile(book.profiles[name], book, served) if name in book.profiles else None


def facts_document(book: Rulebook) -> dict[str, Any]:
    """Every kind of fact with its attributes: what a rule may ask about."""
    return {
        "kinds": [
            {
                "kind": kind.name,
                "about": kind.doc,
                "when_none": kind.when_none,
                "attributes": [
                    {
                        "name": a.name,
                        "type": a.type,
                        "unit": a.unit,
                        "about": a.label,
                        "values": sorted(a.values),
                        "from_record": a.from_record,
                    }
                    for a in kind.attributes.values()
                ],
            }
            for kind in book.vocabulary.kinds.values()
        ]
    }
