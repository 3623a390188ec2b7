"""The one-pass reader never differs from the strict parser and marshmallow on what it accepts."""

from __future__ import annotations

import copy
import json
import random
from typing import Any

from service.intake import episode_json, strict_json
from service.problems import Rejected
from service.selftest import exemplary

ODD: list[Any] = [
    None, True, False, 0, -1, 1, 5.0, 2.5, 1e300, 10**30, "", "x", "none", "left", "2031-04-12T18:02:00-06:00", "2031-04-12T18:02:00Z",
    "2031-04-12T18:02:00.5-06:00", "2031-W15-6T18:02:00-06:00", "2031-04-12T18:02:00-06:99", "a:b", [], [[]], {}, {"none": True},
    {"absent": "not_collected"}, {"absent": "declined", "reason": "ruled_out"}, {"absent": "declined", "reason": "no"}, {"absent": 1},
    ["self"], ["self", "self"], "ünïcode", "\u0662031-04-12T18:02:00-06:00", {"extensions": {}},
]  # fmt: skip


def places(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    found = [path] if path else []
    if isinstance(value, dict):
        for key, inner in value.items():
            found += places(inner, (*path, key))
    elif isinstance(value, list):
        for index, inner in enumerate(value):
            found += places(inner, (*path, index))
    return found


def mutate(rng: random.Random, base: dict[str, Any], paths: list[tuple[Any, ...]]) -> dict[str, Any]:
    out = copy.deepcopy(base)
    for _ in range(rng.choice((1, 1, 1, 2, 3))):
        *way, last = rng.choice(paths)
        target: Any = out
        try:
            for step in way:
                target = target[step]
            kind = rng.randrange(4)
            if kind == 0:
                del target[last]
            elif kind == 1 and isinstance(target, dict):
                target[rng.choice(["wieght_kg", "hr", "id", "none", "absent", "time"])] = copy.deepcopy(rng.choice(ODD))
            elif kind == 2 and isinstance(target, list):
                target.append(copy.deepcopy(target[last]))
            else:
                target[last] = copy.deepcopy(rng.choice(ODD))
        except (KeyError, IndexError, TypeError):
            continue
    return out


def by_strict(body: bytes) -> Any:
    try:
        return episode_json.from_value(strict_json.loads(body))
    except Rejected as error:
        return (error.status, error.code, error.errors, error.omitted)


def by_read(body: bytes) -> Any:
    try:
        return episode_json.read(body)
    except Rejected as error:
        return (error.status, error.code, error.errors, error.omitted)


def test_same_answer_on_mutated_episodes() -> None:
    rng = random.Random(20310412)
    base = exemplary()
    base["not_collected"] = ["/stretcher/height", "/application/limbs/*/padded"]
    del base["stretcher"]["height"]
    for limb in base["application"]["limbs"]:
        del limb["padded"]
    paths = places(base)
    quick = 0
    for _ in range(700):
        body = json.dumps(
            mutate(rng, base, paths), ensure_ascii=rng.random() < 0.1, indent=rng.choice((None, 1))
        ).encode()
        assert by_read(body) == by_strict(body)
        quick += episode_json._quick(body) is not None
    assert quick > 100, "the quick way was hardly taken: the test would prove nothing"


def test_what_is_no_part_of_the_record_is_counted_too() -> None:
    """Extensions and acceptances with colons and members of their own; equal names in them are still seen."""
    base = exemplary() | {
        "extensions": {"a:b": [{"c": "d:e:f", "g": None}, 1.5], "h": {}},
        "accepted": [{"fingerprint": "v1:0", "reason": "Seen: agreed."}],
    }
    body = json.dumps(base).encode()
    assert episode_json._quick(body) == by_strict(body)
    twice = body.replace(b'"h": {}', b'"h": {}, "h": {}')
    assert episode_json._quick(twice) is None
    assert by_read(twice)[1] == "duplicate-member"
    for name in ("extensions", "accepted", "not_collected"):
        assert by_read(json.dumps(base | {name: None}).encode()) == by_strict(json.dumps(base | {name: None}).encode())


def test_what_a_reader_has_made_is_read_the_same() -> None:
    rng = random.Random(12)
    base = exemplary()
    paths = places(base)
    for _ in range(300):
        value = mutate(rng, base, paths)
        try:
            made: Any = episode_json.from_made(copy.deepcopy(value))
        except Rejected as error:
            made = (error.status, error.code, error.errors, error.omitted)
        try:
            strict: Any = episode_json.from_value(value)
        except Rejected as error:
            strict = (error.status, error.code, error.errors, error.omitted)
        assert made == strict


def test_plain_episode_takes_the_quick_way() -> None:
    assert episode_json._quick(json.dumps(exemplary()).encode()) is not None


def test_equal_names_never_take_the_quick_way() -> None:
    for text in (
        '{"episode_ref": "a", "episode_ref": "a"}',
        '{"episode_ref": "a", "narrative" : "b", "narrative": "b"}',
        '{"episode_ref": "a", "narrative": "x: y", "narrative": "z"}',
        '{"episode_ref": "a", "chart": {"opened": "2031-04-12T18:02:00Z", "opened": "2031-04-12T18:02:00Z"}}',
    ):
        assert by_read(text.encode()) == by_strict(text.encode())
        assert by_read(text.encode())[1] == "duplicate-member"
