"""Every member of the model gets each JSON type that it does not take: 422, its own pointer, nothing echoed."""

from __future__ import annotations

import copy
from collections.abc import Iterator
from typing import Any

import pytest

from service.episode import declaration
from service.intake import episode_json, fields
from service.problems import Rejected
from tests.support.episodes import encoded, full, places, put, spine

CANARY = "canary-7391"
NUMBER = 739173917391

TEXT: Any = CANARY
OBJECT: Any = {CANARY: CANARY}
LIST: Any = [CANARY]
SPECIMENS = {
    "null": None,
    "true": True,
    "false": False,
    "zero": 0,
    "number": NUMBER,
    "fraction": 0.739173917391,
    "text": TEXT,
    "empty text": "",
    "list": LIST,
    "empty list": [],
    "object": OBJECT,
    "empty object": {},
}


def wrong(spec: declaration.Kind) -> Iterator[tuple[str, Any]]:
    """The specimens that a member of this kind cannot hold."""
    right: dict[type, set[str]] = {
        declaration.Int: {"zero"},
        declaration.Num: {"zero", "fraction"},
        declaration.Flag: {"true", "false"},
        declaration.Ident: {"text"},
        declaration.Text: {"text", "empty text"},
        declaration.Code: set(),
        declaration.Codes: {"empty list"},
        declaration.Idents: {"empty list", "list"},
        declaration.Time: set(),
        declaration.Items: {"empty list"},
        declaration.Part: {"empty object", "object"},
    }
    allowed = set(right[type(spec)])
    if isinstance(spec, declaration.Part) and spec.may_be_none:
        allowed |= {"empty list"}
    if isinstance(spec, (declaration.Int, declaration.Num)):
        if not spec.low <= 0 <= spec.high:
            allowed -= {"zero"}
        if not spec.low <= SPECIMENS["fraction"] <= spec.high:
            allowed -= {"fraction"}
    for name, value in SPECIMENS.items():
        if name not in allowed:
            yield name, value


def refusal(document: Any) -> Rejected:
    with pytest.raises(Rejected) as caught:
        episode_json.read(encoded(document))
    return caught.value


PLACES = list(places())


@pytest.mark.parametrize(("pointer", "pattern", "member"), PLACES, ids=[p[1] for p in PLACES])
def test_wrong_type(pointer: str, pattern: str, member: declaration.Member) -> None:
    for name, value in wrong(member.kind):
        document = spine(pointer)
        put(document, pointer, copy.deepcopy(value))
        problem = refusal(document)
        assert problem.status == 422, name
        assert problem.code == "invalid-episode"
        expected = (
            f"{pointer}/0"
            if isinstance(member.kind, (declaration.Codes, declaration.Items)) and value is LIST
            else pointer
        )
        assert [e.pointer for e in problem.errors] == [expected], name
        assert problem.errors[0].code in fields.DETAILS, name
        said = f"{problem!r} {problem.errors!r} {problem.__cause__!r}"
        assert CANARY not in said and str(NUMBER) not in said and "0.7391" not in said, name
        assert problem.__context__ is None or problem.__suppress_context__


@pytest.mark.parametrize(("pointer", "pattern", "member"), PLACES, ids=[p[1] for p in PLACES])
def test_null_has_its_own_code(pointer: str, pattern: str, member: declaration.Member) -> None:
    document = spine(pointer)
    put(document, pointer, None)
    assert [(e.code, e.pointer) for e in refusal(document).errors] == [("null-refused", pointer)]


NUMERIC = [p for p in PLACES if isinstance(p[2].kind, (declaration.Int, declaration.Num))]


@pytest.mark.parametrize(("pointer", "pattern", "member"), NUMERIC, ids=[p[1] for p in NUMERIC])
def test_bounds(pointer: str, pattern: str, member: declaration.Member) -> None:
    """Both bounds are taken, a step beyond is refused; a huge number is no crash."""
    spec = member.kind
    assert isinstance(spec, (declaration.Int, declaration.Num))
    step = 1 if isinstance(spec, declaration.Int) else 0.00001
    document = spine(pointer)
    for value in (spec.low, spec.high):
        put(document, pointer, value)
        episode_json.read(encoded(document))
    for value in (spec.low - step, spec.high + step, 10**40, -(10**40), 1e300):
        put(document, pointer, value)
        assert [(e.code, e.pointer) for e in refusal(document).errors] == [("out-of-range", pointer)], value


def test_a_whole_number_may_be_written_with_a_point() -> None:
    document = full()
    put(document, "/monitoring/vitals/0/hr", 80.0)
    read: Any = episode_json.read(encoded(document)).episode
    assert read.monitoring.vitals[0].hr == 80 and type(read.monitoring.vitals[0].hr) is int
    put(document, "/monitoring/vitals/0/hr", 80.5)
    assert refusal(document).errors[0].code == "not-a-whole-number"


@pytest.mark.parametrize("body", [{}, [], "text", 3, True, None])
def test_not_an_episode(body: Any) -> None:
    problem = refusal(body)
    assert problem.status == 422
    assert [e.pointer for e in problem.errors] == [""]


def test_every_wrong_place_is_named() -> None:
    document = full()
    for pointer in ("/patient/sex", "/monitoring/vitals/0/hr", "/sedation/doses/0/dose"):
        put(document, pointer, CANARY)
    assert sorted(e.pointer or "" for e in refusal(document).errors) == [
        "/monitoring/vitals/0/hr",
        "/patient/sex",
        "/sedation/doses/0/dose",
    ]
