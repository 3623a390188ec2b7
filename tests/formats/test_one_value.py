"""The quick look at one value never takes what marshmallow refuses, and sees what is plainly good by itself."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from marshmallow import ValidationError

from service.commands.rule_checks import exemplary
from service.episode import declaration, record
from service.formats import values
from service.intake.schemas import schema_of
from tests.intake.test_fast_reader import ODD


def classes(cls: type) -> Iterator[type]:
    yield cls
    for member in declaration.members(cls):
        if isinstance(member.kind, (declaration.Items, declaration.Part)):
            yield from classes(member.kind.of)


CLASSES = list(dict.fromkeys(classes(record.Episode)))
MEMBERS = [(cls, member) for cls in CLASSES for member in declaration.members(cls)]


def by_schema(cls: type, name: str, value: Any) -> bool:
    try:
        schema_of(cls).fields[name].deserialize(value)
    except ValidationError:
        return False
    return True


def near(spec: declaration.Kind) -> list[Any]:
    """Values around what a member may hold, good and bad."""
    match spec:
        case declaration.Int(low=low, high=high) | declaration.Num(low=low, high=high):
            ends = [low, high, low - 1, high + 1, low - 0.01, high + 0.01, float(low), float(high)]
            return [*ends, float("nan"), float("inf"), str(high)]
        case declaration.Code(words=words):
            return [*words, words[0].upper(), [words[0]], f"{words[0]} "]
        case declaration.Codes(words=words):
            return [
                [],
                *([word] for word in words),
                list(words),
                [words[0]] * 2,
                [*words, *words],
                words[0],
                [words],
                [None],
            ]
        case declaration.Text(longest=longest):
            return ["", "x" * longest, "é" * longest, "x" * (longest + 1), "\0"]
        case declaration.Ident():
            return ["a", "a" * 64, "a" * 65, "", "a\n", "a b", "é", "-._"]
        case declaration.Idents():
            return [[], ["a"], ["a", "a"], ["a", "b"], ["a" * 65], [""], ["a b"], [None], [["a"]], "a", {"a": 1}]
        case declaration.Time():
            days = ("1950-01-01", "1949-12-31", "2049-12-31", "2050-12-31", "2051-01-01", "2031-02-30", "2032-02-29")
            clocks = ("00:00:00", "23:59:59", "24:00:00", "12:60:00", "12:00:60", "12:00:00.5")
            offsets = ("Z", "z", "-06:00", "+23:59", "+24:00", "+00:60", "", "-0600", "+14:00:00")
            return [f"{day}T{clock}{offset}" for day in days for clock in clocks for offset in offsets]
        case declaration.Items():
            whole = good(spec)[0]
            odd = [whole, [None], [[]], [whole | {"x": 1}], {"none": True}, [{"none": True}]]
            return [[], [whole], [whole, whole], *odd]
        case declaration.Part():
            whole = good(spec)
            without = [{name: inner for name, inner in whole.items() if name != left} for left in whole]
            absent = [whole | {name: {"absent": word}} for name in whole for word in ("not_collected", "x")]
            odd = [{}, {"none": True}, {"none": 1}, whole | {"none": True}, whole | {"extensions": {}}]
            return [whole, *without, *absent, *odd]
    return [True, False, 0, 1]


def good(spec: declaration.Kind) -> Any:
    match spec:
        case declaration.Int(low=low) | declaration.Num(low=low):
            return low
        case declaration.Flag():
            return True
        case declaration.Code(words=words):
            return words[-1]
        case declaration.Codes(words=words):
            return list(words[:2])
        case declaration.Idents():
            return ["a", "b"]
        case declaration.Time():
            return "2031-04-12T18:02:00-06:00"
        case declaration.Items(of=cls):
            return [{member.name: good(member.kind) for member in declaration.members(cls)}]
        case declaration.Part(of=cls):
            return {member.name: good(member.kind) for member in declaration.members(cls)}
    return "a"


@pytest.mark.parametrize("cls", CLASSES)
def test_the_same_as_the_schema(cls: type) -> None:
    for member in declaration.members(cls):
        for value in (*ODD, *near(member.kind)):
            assert values.takes(cls, member.name, value) is by_schema(cls, member.name, value), (member.name, value)


def test_what_is_plainly_good_is_seen_without_marshmallow() -> None:
    for cls, member in MEMBERS:
        assert values._checks(cls)[member.name](good(member.kind)), (cls, member.name)
    assert all(values._checks(record.Episode)[name](value) for name, value in exemplary().items())


def test_what_an_object_cannot_be_without() -> None:
    for cls in CLASSES:
        names = [member.name for member in declaration.members(cls) if member.required]
        assert not values.lacks(cls, dict.fromkeys(names, 1))
        for name in names:
            assert values.lacks(cls, dict.fromkeys({*names, "x"} - {name}, 1))
