"""The marshmallow schema of every class of the record, made from its declaration."""

from __future__ import annotations

import functools
from typing import Any

from marshmallow import EXCLUDE, Schema
from marshmallow import fields as mf

from service.episode import declaration

from . import fields


class _Strict(Schema):
    """Answers with our codes in place of marshmallow's sentences. Members that are not known are found by ``slips``."""

    error_messages = {"type": "not-an-object"}

    class Meta:
        unknown = EXCLUDE


@functools.cache
def schema_of(cls: type) -> Schema:
    """The marshmallow schema of a class of the record; one instance a process."""
    made: dict[str, Any] = {}
    for member in declaration.members(cls):
        inner = _field(member.kind)
        if member.required:
            inner.required = True
            made[member.name] = inner
        else:
            made[member.name] = fields.OrAbsent(inner)
    schema: Schema = type(f"{cls.__name__}Schema", (_Strict,), made)()
    return schema


def _field(spec: declaration.Kind) -> mf.Field[Any]:
    match spec:
        case declaration.Int():
            return fields.Whole(spec)
        case declaration.Num():
            return fields.Number(spec)
        case declaration.Flag():
            return fields.Flag()
        case declaration.Code():
            return fields.Word(spec)
        case declaration.Codes():
            return fields.Words(spec)
        case declaration.Time():
            return fields.AwareTime()
        case declaration.Ident():
            return fields.Ident()
        case declaration.Text():
            return fields.Text(spec)
        case declaration.Items():
            return fields.Items(_nested(spec.of), spec.may_be_none)
        case declaration.Part():
            return fields.Part(_nested(spec.of), spec.may_be_none)
    raise TypeError(type(spec).__name__)


def _nested(cls: type) -> mf.Nested:
    return mf.Nested(schema_of(cls), error_messages={"null": "null-refused", "type": "not-an-object"})
