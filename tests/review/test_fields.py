"""A finding that asks for an entry names its field: a value that means "done", written there, ends the finding."""

from __future__ import annotations

import copy
import re
from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Any

import pytest

from service.episode import declaration, record
from service.intake.not_collected import PATHS
from service.problems import Rejected
from service.wording.clock import Clock
from tests.corpora.defects import several
from tests.support.episodes import Document, encoded, valid
from tests.support.pipeline import demo, demo_names, pipeline

#: Rules without a field of their own, and why.
WITHOUT_FIELD = {"RR-1205": "the amount stands there in mL; what is asked for is how much drug that was"}

CASES = {name: demo(name) for name in demo_names()} | {f"case {n}": case.faulty for n, case in enumerate(several(10))}
_WELL = {"hr": 80, "rr": 16, "spo2": 97, "sbp": 120, "dbp": 80}
#: A number that means nothing without its scale.
_SCALE_OF = {"agitation_score": "agitation_scale"}


def found(document: Document) -> dict[str, tuple[str, dict[str, Any]]]:
    """Fingerprint -> (rule, instance) of the completeness findings of a record."""
    review = pipeline().review(encoded(document), "application/json", "default").document
    return {
        instance["fingerprint"]: (finding["rule"]["id"], instance)
        for finding in review["findings"]
        if finding["category"] == "completeness"
        for instance in finding["instances"]
    }


def fields(instance: dict[str, Any]) -> list[str]:
    """The pointers of what is missing, in order."""
    return list(dict.fromkeys(place["missing"] for place in instance["pointers"] if "missing" in place))


def kind_of(pointer: str) -> declaration.Kind:
    """What the member at a pointer may hold; of an entry of a list (``-``), the list."""
    cls: type = record.Episode
    kind: declaration.Kind = declaration.Part(of=cls)
    for step in pointer.split("/")[1:]:
        if step == "-" or step.isdigit():
            continue
        kind = next(m.kind for m in declaration.members(cls) if m.name == step)
        if isinstance(kind, declaration.Part | declaration.Items):
            cls = kind.of
    return kind


@pytest.mark.parametrize("name", CASES)
def test_every_field_is_one_of_the_contract(name: str) -> None:
    for rule, instance in found(CASES[name]).values():
        places = fields(instance)
        assert places or rule in WITHOUT_FIELD, (rule, instance["message"])
        for pointer in places:
            path = re.sub(r"/(?:\d+|-)(?=/|$)", "/*", pointer)
            required = isinstance(kind_of(pointer), declaration.Code)
            assert path.removesuffix("/*") in PATHS or required, (rule, pointer)


@pytest.mark.parametrize("name", CASES)
def test_a_value_that_means_done_ends_the_finding(name: str) -> None:
    document = CASES[name]
    for mark, (rule, instance) in found(document).items():
        if rule not in WITHOUT_FIELD:
            assert any(ends(done, mark) for done in answered(document, instance)), (rule, fields(instance))


def ends(document: Document, mark: str) -> bool:
    try:
        return mark not in found(document)
    except Rejected:
        return False


def answered(document: Document, instance: dict[str, Any]) -> Iterator[Document]:
    """The record with a value in the fields of an instance, in each way that may mean "done"."""
    pointers, span = fields(instance), instance["span"]
    times = [span["from"], span["to"]] if span else []
    times += _times(document)
    for values in zip(*(list(candidates(pointer, times, span)) for pointer in pointers), strict=False):
        out = copy.deepcopy(document)
        for pointer, value in zip(pointers, values, strict=True):
            _write(out, pointer, value)
            yield copy.deepcopy(out)  # one field may be enough, or all of them


def candidates(pointer: str, times: list[str], span: dict[str, str] | None) -> Iterator[Any]:
    """Values that may mean "done" at a pointer; for an entry of a list the entries to add."""
    listed, _, entry = pointer.partition("/-")
    kind = kind_of(listed)
    match kind:
        case declaration.Time():
            yield from times
        case declaration.Code():
            yield from kind.words
        case declaration.Codes():
            yield from ([word] for word in kind.words)
            yield list(kind.words)
        case declaration.Flag():
            yield True
        case declaration.Int() | declaration.Num():
            yield from (max(kind.low, min(kind.high, number)) for number in (1, 5, 15, 36, 90))
        case declaration.Items():
            yield from _entries(kind.of, entry.removeprefix("/"), times, span)
        case _:
            yield valid(kind)


def _entries(cls: type, alone: str, times: list[str], span: dict[str, str] | None) -> Iterator[list[Document]]:
    """Entries to add to a list, with every member or with one ``alone``: all along the span, then at each time."""
    names = {m.name: m.kind for m in declaration.members(cls)}
    base = {m.name: valid(m.kind) for m in declaration.members(cls) if not isinstance(m.kind, declaration.Time)}
    for name in ("id", "entered", "not_done", "before_care", "extensions"):
        base.pop(name, None)
    base |= {name: value for name, value in _WELL.items() if name in names}
    if alone:
        base = {name: value for name, value in base.items() if name in (alone, _SCALE_OF.get(alone))}
    variants = [
        {**base, n: word} for n, kind in names.items() if isinstance(kind, declaration.Code) for word in kind.words
    ]
    limbs = [{"side": side, "site": site} for side in ("left", "right") for site in ("wrist", "ankle")]
    many = limbs if {"side", "site"} <= names.keys() else [{}]
    if isinstance(acts := names.get("action"), declaration.Code):
        # What answers one danger does not answer another.
        many = [{"action": word, **one} for word in acts.words for one in many]
    starts = [name for name in ("time", "start", "on") if name in names]
    ends_ = [name for name in ("end", "off") if name in names]
    if not starts:
        yield variants
        return
    if span and ends_:
        yield [{**base, **one, starts[0]: span["from"], ends_[0]: span["to"]} for one in many]
    if span:
        yield [{**base, **one, starts[0]: time} for time in _along(span) for one in many]
    for time in times:
        for minutes in (0, 2, -2):
            yield [{**base, **one, starts[0]: _later(time, minutes)} for one in many]


def _along(span: dict[str, str]) -> Iterator[str]:
    """Every minute of a span and of the 5 min after it."""
    first, last = (datetime.fromisoformat(span[name]) for name in ("from", "to"))
    return (_later(span["from"], minutes) for minutes in range(int((last - first).total_seconds() // 60) + 6))


def _later(time: str, minutes: int) -> str:
    return (datetime.fromisoformat(time) + timedelta(minutes=minutes)).isoformat()


def _times(node: Any) -> Iterator[str]:
    """Every time of a record."""
    if isinstance(node, dict | list):
        for value in node.values() if isinstance(node, dict) else node:
            yield from _times(value)
    elif isinstance(node, str) and re.fullmatch(r"\d{4}-\d\d-\d\dT[\d:]{8}[+-]\d\d:\d\d", node):
        yield node


def _write(document: Document, pointer: str, value: Any) -> None:
    """Write a value, or add entries to a list, with the sections on the way."""
    listed, dash, _ = pointer.partition("/-")
    here: Any = document
    *parents, last = listed.split("/")[1:]
    for step in parents:
        here = here[int(step)] if isinstance(here, list) else here.setdefault(step, {})
    if dash and isinstance(here.get(last), list):
        here[last] = here[last] + [each for each in value if each not in here[last]]
    else:
        here[last] = value


@pytest.mark.parametrize(
    ("rule", "member"), [("RR-1010", "glucose_mg_dl"), ("RR-1011", "temperature_c"), ("RR-1335", "rhythm")]
)
def test_a_sign_that_no_set_holds_is_named(rule: str, member: str) -> None:
    """Also of a rule that is only counted; its places are those of its fact."""
    document = demo("exemplary")
    for vital in document["monitoring"]["vitals"]:
        for name in ("glucose_mg_dl", "glucose_reading", "temperature_c", "rhythm"):
            vital.pop(name, None)
    document["monitoring"].pop("ecg", None)
    for dose in document["sedation"]["doses"]:
        dose["drug"] = "midazolam"
    review = pipeline().review(encoded(document), "application/json", "default")
    (instance,) = review.found[rule]
    told = instance.document("", review.intake, Clock(review.intake.episode))
    assert f"/monitoring/vitals/-/{member}" in fields(told)
