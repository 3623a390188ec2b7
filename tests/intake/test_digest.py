"""The input digest, the top-level ``accepted`` list, and the pointers that the model carries."""

from __future__ import annotations

import hashlib
import json
import random
import re
from typing import Any

import orjson
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.episode import declaration, pointers
from service.intake import episode_json, strict_json
from service.problems import Rejected
from tests.support.episodes import encoded, exemplary, full, put, read, small
from tests.support.pointers import by_ids, resolve

CANARY = "canary-7391"
MARK = "v1:" + "0" * 32
OTHER = "v1:" + "1" * 32


def shuffled(value: Any, rng: random.Random) -> Any:
    """The same JSON value with the members of every object in another order."""
    if isinstance(value, dict):
        names = list(value)
        rng.shuffle(names)
        return {name: shuffled(value[name], rng) for name in names}
    return [shuffled(item, rng) for item in value] if isinstance(value, list) else value


def test_digest_does_not_depend_on_member_order_or_white_space() -> None:
    document, rng = exemplary(), random.Random(7)
    plain = read(document)
    for _ in range(5):
        other = shuffled(document, rng)
        assert list(other) != list(document)
        spaced = episode_json.read(json.dumps(other, indent=3).encode())
        assert (spaced.digest, spaced.episode) == (plain.digest, plain.episode)


def test_digest_does_not_depend_on_accepted() -> None:
    document = exemplary()
    with_accepted = document | {"accepted": [{"fingerprint": MARK, "reason": "seen"}]}
    assert read(with_accepted).digest == read(document).digest


def test_digest_against_an_independent_writer() -> None:
    """SHA-256 of the body without ``accepted``, sorted names, no white space; json is the independent writer here."""
    document = exemplary()
    text = json.dumps(document, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    assert read(document).digest == "v1:" + hashlib.sha256(text.encode()).hexdigest()


@pytest.mark.parametrize(
    ("pointer", "value"),
    [
        ("/patient/weight_kg", 82.5),
        ("/episode_ref", "other"),
        ("/narrative", "Other words."),
        ("/sedation/doses/0/dose", 5.1),
        ("/patient/allergies", ["ketamine"]),
        ("/chart/extensions", {}),
        ("/not_collected", []),
    ],
)
def test_digest_changes_with_any_member(pointer: str, value: Any) -> None:
    document = exemplary()
    put(document, pointer, value)
    assert read(document).digest != read(exemplary()).digest


json_values = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**63), 2**64 - 1)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=5), inner, max_size=4),
    max_leaves=12,
)


@given(json_values)
@settings(derandomize=True, max_examples=200, deadline=None)
def test_canonical_form_reads_back(value: Any) -> None:
    written = strict_json.canonical(value)
    assert orjson.loads(written) == value and strict_json.loads(written) == value
    assert strict_json.canonical(strict_json.loads(json.dumps(value).encode())) == written


def test_huge_integers_in_extensions_have_a_digest() -> None:
    huge = small(patient={"extensions": {"n": 10**300}})
    assert re.fullmatch(r"v1:[0-9a-f]{64}", read(huge).digest)
    assert read(huge).digest != read(small(patient={"extensions": {"n": 10**300 + 1}})).digest


# ---------------------------------------------------------------- accepted


def test_accepted_is_read() -> None:
    intake = read(
        small() | {"accepted": [{"fingerprint": MARK, "reason": " seen "}, {"fingerprint": OTHER, "reason": "x" * 500}]}
    )
    assert [a.fingerprint for a in intake.accepted] == [MARK, OTHER]
    assert read(small()).accepted == ()


@pytest.mark.parametrize(
    ("entry", "place"),
    [
        (CANARY, ""),
        (None, ""),
        ([], ""),
        ({}, ""),
        ({"fingerprint": MARK}, ""),
        ({"reason": CANARY}, ""),
        ({"fingerprint": MARK, "reason": "x", CANARY: 1}, ""),
        ({"fingerprint": CANARY, "reason": "x"}, "/fingerprint"),
        ({"fingerprint": 7, "reason": "x"}, "/fingerprint"),
        ({"fingerprint": "v1:" + "0" * 200, "reason": "x"}, "/fingerprint"),
        ({"fingerprint": MARK, "reason": ""}, "/reason"),
        ({"fingerprint": MARK, "reason": " \n"}, "/reason"),
        ({"fingerprint": MARK, "reason": None}, "/reason"),
        ({"fingerprint": MARK, "reason": [CANARY]}, "/reason"),
        ({"fingerprint": MARK, "reason": "x" * 501}, "/reason"),
    ],
)
def test_accepted_refused(entry: Any, place: str) -> None:
    with pytest.raises(Rejected) as caught:
        read(small() | {"accepted": [{"fingerprint": MARK, "reason": "seen"}, entry]})
    assert caught.value.status == 422
    assert [e.pointer for e in caught.value.errors] == [f"/accepted/1{place}"]
    assert CANARY not in repr(caught.value.errors)


@pytest.mark.parametrize(
    ("entry", "code"),
    [
        ([], "not-an-object"),
        ({"fingerprint": MARK}, "missing-member"),
        ({"fingerprint": MARK, "reason": "x", CANARY: 1}, "unknown-member"),
    ],
)
def test_the_code_says_what_an_acceptance_lacks(entry: Any, code: str) -> None:
    with pytest.raises(Rejected) as caught:
        read(small() | {"accepted": [entry]})
    assert [e.code for e in caught.value.errors] == [code]


@pytest.mark.parametrize("value", [None, {}, "v1:", 1, False])
def test_accepted_is_a_list(value: Any) -> None:
    with pytest.raises(Rejected) as caught:
        read(small() | {"accepted": value})
    assert [e.pointer for e in caught.value.errors] == ["/accepted"]


# ---------------------------------------------------------------- pointers


def nodes(node: declaration.Node) -> Any:
    yield node
    for member in declaration.members(type(node)):
        value = getattr(node, member.name)
        for inner in value if isinstance(value, tuple) else (value,):
            if isinstance(inner, declaration.Node):
                yield from nodes(inner)


@pytest.mark.parametrize("document", [exemplary(), full()], ids=["exemplary", "full"])
def test_every_object_knows_its_place(document: Any) -> None:
    seen = set()
    for node in nodes(episode_json.read(encoded(document)).episode):
        assert isinstance(resolve(document, node.at), dict)
        assert node.at not in seen
        seen.add(node.at)
        # Against a walk of the document, which would also see an index further up.
        steps = by_ids(document, node.at)
        assert None not in steps
        assert pointers.by_ids(node) == ("".join(f"/{step}" for step in steps), True)


def test_place_of_an_item_without_an_id() -> None:
    document = small(monitoring={"vitals": [{"id": "v"}, {}]})
    episode: Any = read(document).episode
    one, other = episode.monitoring.vitals
    assert (one.at, other.at) == ("/monitoring/vitals/0", "/monitoring/vitals/1")
    assert pointers.by_ids(one) == ("/monitoring/vitals/v", True)
    assert pointers.by_ids(other) == ("/monitoring/vitals/1", False)
