"""Bundles and NEMSIS documents, whole and damaged, read the same without any of the short cuts."""

from __future__ import annotations

import json
import random
from collections import defaultdict
from collections.abc import Callable
from typing import Any

import pytest
from lxml import etree

from service.commands.rule_checks import exemplary
from service.formats import values
from service.formats.fhir import read as fhir_reader
from service.formats.nemsis import read as nemsis_reader
from service.intake import strict_json
from service.intake.result import Intake
from service.problems import Rejected
from tests.benchmark import charts
from tests.intake.test_fast_reader import mutate, places

_TEXTS = ("", "x", "-5", "1e3", "99999", "7701003", "8801019", "2031-04-12T18:02:00Z", "2031-04-12T18:02:00", "low")
_ATTRIBUTES = (("PN", "8801005"), ("PN", "8801019"), ("PN", "8801029"), ("NV", "7701001"), ("CorrelationID", "v1"))


def bundles(rng: random.Random) -> list[bytes]:
    whole = json.loads(charts.fhir(exemplary()))
    paths = places(whole)
    out = [charts.fhir(exemplary())]
    for _ in range(90):
        damaged = mutate(rng, whole, paths)
        for _ in range(rng.choice((0, 4))):  # the same member of another place: read, but of another kind
            resources = [
                entry["resource"] for entry in damaged.get("entry") or [] if type(entry) is dict and "resource" in entry
            ]
            one, other = rng.choice(resources or [{}]), rng.choice(resources or [{}])
            if type(one) is dict and type(other) is dict and other:
                name = rng.choice(sorted(other))
                one[name] = other[name]
        out.append(json.dumps(damaged).encode())
    return out


def documents(rng: random.Random) -> list[bytes]:
    whole = charts.nemsis(exemplary())
    out = [whole]
    for _ in range(90):
        root = etree.fromstring(whole)
        for _ in range(rng.choice((1, 2, 5))):
            node = rng.choice([el for el in root.iter() if len(el) == 0])
            kind = rng.randrange(4)
            if kind == 0:
                node.text = rng.choice((*_TEXTS, node.text))
            elif kind == 1:
                node.set(*rng.choice(_ATTRIBUTES))
            elif kind == 2:
                node.addnext(etree.fromstring(etree.tostring(node)))
            else:
                node.getparent().remove(node)
        out.append(etree.tostring(root))
    return out


def answers(read: Callable[[bytes], Intake], bodies: list[bytes]) -> list[str]:
    out = []
    for body in bodies:
        try:
            found = read(body)
            told = found.episode, found.notices, found.digest, list(found.places.items())
            out.append(repr(told))
        except Rejected as error:
            out.append(repr((error.status, error.code, error.errors)))
    return out


@pytest.mark.parametrize(("read", "made"), [(fhir_reader.read, bundles), (nemsis_reader.Reader().read, documents)])
def test_the_same_without_short_cuts(
    read: Callable[[bytes], Intake], made: Callable[[random.Random], list[bytes]], monkeypatch: pytest.MonkeyPatch
) -> None:
    bodies = made(random.Random(20310412))
    short = answers(read, bodies)
    never: dict[str, Any] = defaultdict(lambda: lambda value: False)
    monkeypatch.setattr(values, "_checks", lambda cls: never)
    monkeypatch.setattr(values, "_is_absence", lambda cls, name, value: False)
    monkeypatch.setattr(strict_json, "loads", strict_json.exact)
    assert answers(read, bodies) == short
    assert len(set(short)) > 60  # or the damage did nothing
