"""Not well-formed is 400. Held to RFC 8259 (JSON), RFC 7493 (I-JSON: no duplicate names, no lone surrogates)."""

from __future__ import annotations

import json
import math
import random
import subprocess
import sys
from collections.abc import Callable
from typing import Any

import orjson
import pytest

from service.intake import strict_json
from service.problems import Rejected
from tests.support.cost import cpu_at_most

CANARY = "canary-7391"


def refused(body: bytes) -> Rejected:
    with pytest.raises(Rejected) as caught:
        strict_json.loads(body)
    return caught.value


@pytest.mark.parametrize(
    ("body", "code"),
    [
        (b"", "not-json"),
        (b"   \n", "not-json"),
        (b"{", "not-json"),
        (b'{"episode_ref": "canary-7391', "not-json"),
        (b'{"episode_ref": "canary-7391"', "not-json"),
        (b'{"episode_ref": "canary-7391",}', "not-json"),
        (b"{'episode_ref': 'canary-7391'}", "not-json"),
        (b'{"a": 1} {"b": 2}', "not-json"),
        (b'{"a": 01}', "not-json"),
        (b'{"a": +1}', "not-json"),
        (b'{"a": .5}', "not-json"),
        (b'{"a": 1.}', "not-json"),
        (b'{"a": 0x1F}', "not-json"),
        (b'{"a": "\t"}', "not-json"),
        (b'{"a": "\\x41"}', "not-json"),
        (b"// canary-7391\n{}", "not-json"),
        (b'{"a": True}', "not-json"),
        (b'{"a": NaN}', "not-a-number"),
        (b'{"a": Infinity}', "not-a-number"),
        (b'{"a": -Infinity}', "not-a-number"),
        (b'{"a": 1e999}', "not-a-number"),
        (b'{"a": -1e999}', "not-a-number"),
        (b'{"a": ' + b"9" * 401 + b"}", "number-too-long"),
        (b'{"a": 1, "a": 2}', "duplicate-member"),
        (b'{"a": {"b": 1, "b": 1}}', "duplicate-member"),
        (b'{"a": 1, "\\u0061": 2}', "duplicate-member"),
        (b'{"a": 1, "a": "\\u003a"}', "duplicate-member"),
        (b'{"a": "\\ud800"}', "lone-surrogate"),
        (b'{"a": "\\udc00\\ud800"}', "lone-surrogate"),
        (b'{"\\ud83d": 1}', "lone-surrogate"),
        (b'\xef\xbb\xbf{"a": 1}', "not-utf-8"),
        (b'{"a": "\xff"}', "not-utf-8"),
        (b'{"a": "\xc0\xaf"}', "not-utf-8"),
        (b'{"a": "\xed\xa0\x80"}', "not-utf-8"),
        ('{"a": 1}'.encode("utf-16"), "not-utf-8"),
    ],
)
def test_not_well_formed(body: bytes, code: str) -> None:
    problem = refused(body)
    assert (problem.status, problem.code) == (400, code)
    assert [(e.code, e.pointer) for e in problem.errors] == [(code, "")]
    assert CANARY not in f"{problem!r} {problem} {problem.errors}"
    assert problem.__cause__ is None and problem.__suppress_context__


@pytest.mark.parametrize(
    ("body", "place"),
    [
        (b'{"a": 1,\n "canary-7391": }', "Line 2, column 17."),
        (b"", "It is empty."),
        (b'{"a": "\xff"}', "Byte 8."),
    ],
)
def test_the_place_is_told_in_numbers(body: bytes, place: str) -> None:
    (error,) = refused(body).errors
    assert error.detail.endswith(f" {place}")


@pytest.mark.parametrize("encoding", ["utf-16-le", "utf-16-be", "utf-32-le"])
def test_other_encodings_without_a_mark(encoding: str) -> None:
    assert refused('{"a": 1}'.encode(encoding)).status == 400


def nested(levels: int) -> bytes:
    return b"[" * levels + b"]" * levels


def test_depth() -> None:
    assert strict_json.loads(nested(32))
    assert refused(nested(33)).code == "too-deep"
    assert refused(nested(300)).code == "too-deep"
    assert refused(b'{"a":' * 300 + b"1" + b"}" * 300).code == "too-deep"
    assert refused(b"[" * 100_000).code == "too-deep"


@pytest.mark.parametrize("text", ["[" * 40, "\\" * 40 + '"' + "{" * 40, '"' + "]" * 40, "é{\U0001f600[" * 20])
def test_brackets_in_strings_are_not_depth(text: str) -> None:
    assert strict_json.loads(json.dumps({"a": text}).encode()) == {"a": text}
    assert strict_json.loads(json.dumps({"a": text}, ensure_ascii=False).encode()) == {"a": text}


def test_quotes_that_nothing_closes_are_passed_over_once() -> None:
    """Looked for again at each of them, half a megabyte would take minutes."""
    with cpu_at_most(5):
        assert refused(b'"' + b'\\"' * 250_000).code == "not-json"
        assert refused(b'"' + b'\\"' * 250_000 + b"\\").code == "not-json"


def test_depth_after_a_string_that_ends_in_a_backslash() -> None:
    assert refused(json.dumps({"a": "x\\"}).encode()[:-1] + b',"b":' + nested(32) + b"}").code == "too-deep"
    assert refused(b'["x\\\\",' + nested(32) + b',"x\\\\"]').code == "too-deep"


@pytest.mark.parametrize(
    "text",
    [
        '{"a": [1, -0, 1.5, 1e3, 1E-2, true, false, null, ""]}',
        '{"a": "\\ud83d\\ude00 \\u00e9 \\/ \\b\\f\\n\\r\\t"}',
        '{"a": "é \U0001f600 \\\\ud800"}',
        '"text"',
        "3",
        "null",
    ],
)
def test_the_same_as_an_independent_reader(text: str) -> None:
    """orjson (RFC 8259) is the outside check."""
    assert strict_json.loads(text.encode()) == strict_json.exact(text.encode()) == orjson.loads(text)


def test_numbers() -> None:
    assert strict_json.loads(b"9" * 400) == int("9" * 400)
    assert strict_json.loads(b"1.7976931348623157e308") == 1.7976931348623157e308
    assert math.copysign(1, strict_json.loads(b"-0.0")) == -1
    assert refused(b"-" + b"9" * 400).code == "number-too-long"
    assert strict_json.loads(b"1e-999") == 0.0


# ---------------------------------------------------------------- the fast parser against the exact one

NAMES = ("a", "b", "a:b", "[", "", "\\", '"', "é", "a\\:")
TEXTS = ("", "x", ":", "::", "mm[Hg]", "]", "[", '"', '\\"', "\\", "\n", "é:", "0" * 25, "\U0001f600")
NUMBERS = (0, -1, 2**63, 2**64 - 1, 2**64, -(2**63) - 1, 10**18, 10**30, 1.5, -0.0, 1e300, 1e-7, 0.1234567890123456)
PIECES = (
    b"[",
    b"]",
    b"{",
    b"}",
    b'"',
    b":",
    b",",
    b"\\",
    b"\\u003a",
    b"\\u0061",
    b"1",
    b"e9",
    b"-",
    b" ",
    b"\xff",
    b"9" * 401,
    b'"a":1,',
)


def made(rng: random.Random, levels: int) -> Any:
    kind = rng.randrange(6) if levels else rng.randrange(3)
    if kind == 0:
        return rng.choice(TEXTS)
    if kind == 1:
        return rng.choice(NUMBERS)
    if kind == 2:
        return rng.choice((None, True, False, [], {}))
    if kind == 3:
        return [made(rng, levels - 1) for _ in range(rng.randrange(4))]
    return {rng.choice(NAMES): made(rng, levels - 1) for _ in range(rng.randrange(4))}


def answer(read: Callable[[bytes], Any], body: bytes) -> str:
    try:
        return repr(read(body))
    except Rejected as error:
        return repr((error.status, error.code, error.errors))


def test_the_fast_parser_never_differs() -> None:
    rng = random.Random(20310412)
    fast = 0
    for _ in range(6000):
        value = made(rng, rng.choice((2, 4, 6)))
        for _ in range(rng.choice((0, 0, 0, 25, 28, 31, 32, 33))):
            value = rng.choice(([value], {"a": value}, ["]", value, "["]))
        body = json.dumps(value, ensure_ascii=rng.random() < 0.2, indent=rng.choice((None, 1))).encode()
        for _ in range(rng.choice((0, 0, 1, 2))):
            at = rng.randrange(len(body) + 1)
            body = body[:at] + rng.choice((b"", *PIECES)) + body[at + rng.choice((0, 0, 1, 5)) :]
        assert answer(strict_json.loads, body) == answer(strict_json.exact, body), body
        try:
            strict_json._plain(body)
            fast += 1
        except ValueError:
            continue
    assert fast > 1500  # or nothing was compared


def test_no_memory_for_a_large_body_is_an_error_before_a_parser_ends_the_process() -> None:
    """20 MB of room for a body of 30 MB: orjson alone ends the worker, and every request in it, with SIGSEGV."""
    code = (
        "import resource\n"
        "from service.intake import strict_json\n"
        "body = b'[' + b'\"a\",' * 7_500_000 + b'\"a\"]'\n"
        "used = int(open('/proc/self/statm').read().split()[0]) * resource.getpagesize()\n"
        "resource.setrlimit(resource.RLIMIT_AS, (used + 20_000_000,) * 2)\n"
        "try:\n"
        "    strict_json.loads(body)\n"
        "except MemoryError:\n"
        "    print('told')\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout) == (0, "told\n"), done.stderr
