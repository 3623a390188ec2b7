"""The marshmallow schema of every class of the record, made from its declaration."""

from __future__ import annotations

import functools
from typing import Any

from marshmallow import EXCLUDE, Schema, ValidationError, validates_schema
from marshmallow import fields as mf

from service.episode import declaration
from service.episode.absence import MISSING

from . import fields


class _Strict(Schema):
    """Answers with our codes in place of marshmallow's sentences. Members that are not known are found by ``slips``."""

    error_messages = {"type": "not-an-object"}

    class Meta:
        unknown = EXCLUDE

    #: The members that can be left out only beside certain words of another one.
    depending: tuple[declaration.Member, ...] = ()

    @validates_schema(skip_on_field_errors=False, pass_original=True)
    def required_unless(self, data: Any, original: Any, **_: Any) -> None:
        """A slip for each of ``depending`` that is missing."""
        if isinstance(original, dict):
            lacking = [m.name for m in self.depending if m.lacks(lambda name: original.get(name, MISSING))]
            if lacking:
                raise ValidationError({name: ["missing-member"] for name in lacking})


@functools.cache
def schema_of(cls: type) -> Schema:
    """The marshmallow schema of a class of the record; one instance a process."""
    made: dict[str, Any] = {}
    for member in declaration.members(cls):
        inner = _field(member.kind)
        if member.required:
            inner.required = member.unless is None
            made[member.name] = inner
        else:
            made[member.name] = fields.OrAbsent(inner)
    made["depending"] = tuple(m for m in declaration.members(cls) if m.unless is not None)
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
        case declaration.Idents():
            return fields.Idents()
        case declaration.Text():
            return fields.Text(spec)
        case declaration.Items():
            return fields.Items(_nested(spec.of), spec.may_be_none)
        case declaration.Part():
            return fields.Part(_nested(spec.of), spec.may_be_none)
    raise TypeError(type(spec).__name__)


def _nested(cls: type) -> mf.Nested:
    return mf.Nested(schema_of(cls), error_messages={"null": "null-refused", "type": "not-an-object"})
