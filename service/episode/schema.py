"""The episode as JSON Schema 2020-12 components, made from the declaration of its members; class docstrings become descriptions."""

from __future__ import annotations

from typing import Any

from service.episode.absence import DECLINED_REASONS

from . import declaration, pointers, record


def _ref(cls: type) -> dict[str, str]:
    return {"$ref": f"#/components/schemas/{cls.__name__}"}


def _value(spec: declaration.Kind) -> dict[str, Any]:
    match spec:
        case declaration.Int():
            out: dict[str, Any] = {"type": "integer", "minimum": spec.low, "maximum": spec.high}
        case declaration.Num():
            out = {"type": "number", "minimum": spec.low, "maximum": spec.high}
        case declaration.Flag():
            out = {"type": "boolean"}
        case declaration.Code():
            out = {"type": "string", "enum": list(spec.words)}
        case declaration.Codes():
            words = list(spec.words)
            out = {
                "type": "array",
                "uniqueItems": not spec.repeats,
                "maxItems": declaration.MOST_WORDS if spec.repeats else len(words),
                "items": {"type": "string", "enum": words},
            }
        case declaration.Time():
            out = {"type": "string", "format": "date-time"}
        case declaration.Ident():
            out = {"type": "string", "pattern": declaration.ID_PATTERN}
        case declaration.Idents():
            out = {
                "type": "array",
                "uniqueItems": True,
                "maxItems": declaration.MOST_WORDS,
                "items": {"type": "string", "pattern": declaration.ID_PATTERN},
            }
        case declaration.Text():
            out = {"type": "string", "maxLength": spec.longest}
        case declaration.Items():
            out = {"type": "array", "maxItems": declaration.MOST_ITEMS, "items": _ref(spec.of)}
        case declaration.Part():
            out = _ref(spec.of)
        case _:
            raise TypeError(type(spec).__name__)
    unit = getattr(spec, "unit", "")
    if unit:
        out["x-unit"] = unit
    return out


def _member(member: declaration.Member) -> dict[str, Any]:
    spec = member.kind
    value = _value(spec)
    if member.required:
        return {**value, "description": spec.doc}
    # Marks of absence come first: generated clients take the first that fits, and every member of a section is optional.
    options: list[dict[str, Any]] = [{"$ref": "#/components/schemas/Absence"}]
    if getattr(spec, "may_be_none", False):
        options.append({"$ref": "#/components/schemas/NoneOfIt"})
        if isinstance(spec, declaration.Part):
            options.append({"type": "array", "maxItems": 0, "items": {"type": "string"}})
    return {"description": spec.doc, "anyOf": [*options, value]}


def _object(cls: type) -> dict[str, Any]:
    members = declaration.members(cls)
    properties: dict[str, Any] = {m.name: _member(m) for m in members}
    if cls is record.Episode:
        properties["not_collected"] = {
            "type": "array",
            "maxItems": declaration.MOST_ITEMS,
            "description": "Paths of members the sender's system has no place for, such as /stretcher/height or /application/limbs/*/anchor.",
            "items": {"type": "string", "maxLength": 200},
        }
        properties["accepted"] = {
            "type": "array",
            "maxItems": declaration.MOST_ITEMS,
            "description": "Findings looked at and accepted, by fingerprint, each with a reason.",
            "items": {"$ref": "#/components/schemas/Acceptance"},
        }
    properties["extensions"] = {"description": "The caller's own data; not read."}
    out: dict[str, Any] = {
        "type": "object",
        "description": (cls.__doc__ or "").strip().split("\n\n")[0],
        "additionalProperties": False,
        "properties": properties,
    }
    required = [m.name for m in members if m.required and m.unless is None]
    if required:
        out["required"] = required
    for each in members:
        if each.unless is not None:
            other, words = each.unless
            beside = {"properties": {other: {"enum": list(words)}}}
            out["anyOf"] = [{"required": [each.name]}, beside]
    return out


def episode_schema() -> dict[str, Any]:
    """Component name -> JSON Schema, for the episode and every object in it."""
    classes = dict.fromkeys(cls for _, cls in pointers.class_paths())
    return {
        **{cls.__name__: _object(cls) for cls in classes},
        "Absence": {
            "description": "Stands in place of a value that is not there.",
            "oneOf": [{"$ref": "#/components/schemas/NotCollected"}, {"$ref": "#/components/schemas/Declined"}],
        },
        "NotCollected": {
            "type": "object",
            "description": "The sender's system has no place for it.",
            "additionalProperties": False,
            "required": ["absent"],
            "properties": {"absent": {"type": "string", "const": "not_collected"}},
        },
        "Declined": {
            "type": "object",
            "description": "Attempted, ruled out or unsafe.",
            "additionalProperties": False,
            "required": ["absent", "reason"],
            "properties": {
                "absent": {"type": "string", "const": "declined"},
                "reason": {"type": "string", "enum": list(DECLINED_REASONS)},
            },
        },
        "NoneOfIt": {
            "type": "object",
            "description": "There was none of it.",
            "additionalProperties": False,
            "required": ["none"],
            "properties": {"none": {"type": "boolean", "const": True}},
        },
        "Acceptance": {
            "type": "object",
            "description": "One accepted instance of a finding.",
            "additionalProperties": False,
            "required": ["fingerprint", "reason"],
            "properties": {
                "fingerprint": {"type": "string", "pattern": "^v1:[!-~]{1,77}$"},
                "reason": {"type": "string", "minLength": 1, "maxLength": 500},
                "by": {
                    "type": "string",
                    "pattern": declaration.ID_PATTERN,
                    "description": "Who accepted it, as an opaque id; comes back.",
                },
                "at": {"type": "string", "format": "date-time", "description": "When; comes back."},
            },
        },
    }
