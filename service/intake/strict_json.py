"""JSON by RFC 8259 and RFC 7493 (I-JSON): nothing is guessed, and no member is dropped silently.

Refused with 400: bytes that are not UTF-8, a byte order mark, text that is not
JSON, NaN and infinities (also numbers too large for a double), equal member
names, lone surrogates, and nesting deeper than ``MOST_LEVELS``.

Most bodies have nothing of that and are read by a fast parser (``_plain``). At
the first doubt the body is read again by ``exact``, which owns every refusal.
"""

from __future__ import annotations

import json
import math
import re
from typing import Any, NoReturn

import orjson

from service.problems import ProblemItem, Rejected

MOST_LEVELS = 32
#: Longest run of digits that is read as a number (a double has 17 significant ones).
_LONGEST_NUMBER = 400
#: A string, or all that follows a quote that nothing closes: without that, an unclosed string would be searched for
#: again at each later quote, in time that grows with the square of its length.
_STRINGS = re.compile(rb'"(?:[^"\\]++|\\.)*+"?', re.DOTALL)
_NOT_BRACKETS = bytes(c for c in range(256) if c not in b"[]{}")
#: For counting levels: both brackets as one, nothing else kept but the quotes around strings.
_ONE_BRACKET = bytes.maketrans(b"[]{}", b"()()")
_NO_BRACKET_OR_QUOTE = bytes(c for c in range(256) if c not in b'[]{}"')
#: Every digit as 0, to find long numbers. Those of fewer digits than this are the same to both parsers.
_DIGITS_AS_0 = bytes.maketrans(b"123456789", b"000000000")
_LONG_NUMBER = b"0" * 19

_DETAILS = {
    "not-json": "The body is not JSON (RFC 8259).",
    "not-utf-8": "The body is not UTF-8 without a byte order mark.",
    "too-deep": f"The body nests deeper than {MOST_LEVELS} levels.",
    "duplicate-member": "An object has two members of the same name.",
    "not-a-number": "A number is not finite; NaN and infinities are not JSON.",
    "lone-surrogate": "A string holds half of a surrogate pair.",
    "number-too-long": "A number has too many digits.",
}


def _refuse(code: str, where: str = "") -> NoReturn:
    """Raise Rejected. ``where``: more to the detail, in numbers only."""
    raise Rejected(400, code, [ProblemItem(code, _DETAILS[code] + where, pointer="")]) from None


def _members(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    out = dict(pairs)
    if len(out) != len(pairs):
        _refuse("duplicate-member")
    return out


def _number(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        _refuse("not-a-number")
    return value


def _whole(text: str) -> int:
    if len(text) > _LONGEST_NUMBER:
        _refuse("number-too-long")
    return int(text)


def _constant(_: str) -> NoReturn:
    _refuse("not-a-number")


def depth(body: bytes) -> int:
    """Deepest nesting of brackets outside strings."""
    level = deepest = 0
    for bracket in _STRINGS.sub(b"", body).translate(None, _NOT_BRACKETS):
        if bracket in b"[{":
            level += 1
            deepest = max(deepest, level)
        else:
            level -= 1
    return deepest


_DECODER = json.JSONDecoder(object_pairs_hook=_members, parse_float=_number, parse_int=_whole, parse_constant=_constant)


def _nests_deeper(body: bytes) -> bool:
    """Whether well-formed JSON nests deeper than ``MOST_LEVELS``: the innermost brackets are taken away level by level."""
    if b"\\" in body:
        body = body.replace(b"\\\\", b"").replace(b'\\"', b"")
    kept = body.translate(_ONE_BRACKET, _NO_BRACKET_OR_QUOTE)
    # Two quotes side by side have no bracket between them; without them what is left stays inside or outside strings.
    kept = b"".join(kept.replace(b'""', b"").split(b'"')[::2])
    for _ in range(MOST_LEVELS):
        if not kept:
            return False
        kept = kept.replace(b"()", b"")
    return bool(kept)


def _plain(body: bytes) -> Any:
    """Parse a body with the fast parser. Raises ValueError where it may have misread it.

    Of two members with one name it keeps the last without an error. The one
    that is dropped takes a colon with it, so a value that is written again
    with as many colons as the body has lost nothing, unless an escape stands
    for a colon. It reads whole numbers beyond 64 bits as floats.
    """
    value = orjson.loads(body)
    if (
        (b"\\" in body and b"\\u" in body)
        or _LONG_NUMBER in body.translate(_DIGITS_AS_0)
        or _nests_deeper(body)
        or orjson.dumps(value).count(b":") != body.count(b":")
    ):
        raise ValueError
    return value


#: Bytes of a body that is parsed in memory that a process has in any case.
_SMALL = 1 << 20


def make_room(body: bytes) -> None:
    """Raise MemoryError now where there is no memory to parse a large body: parsers written in C may end the process."""
    if len(body) > _SMALL:
        bytes(3 * len(body))


def loads(body: bytes) -> Any:
    """Parse one JSON text. Raises Rejected (400)."""
    make_room(body)
    try:
        return _plain(body)
    except ValueError:
        return exact(body)


def exact(body: bytes) -> Any:
    """Parse one JSON text with every check, member by member. Raises Rejected (400)."""
    if not body.strip():
        _refuse("not-json", " It is empty.")
    if depth(body) > MOST_LEVELS:
        _refuse("too-deep")
    try:
        text = body.decode("utf-8")
    except UnicodeDecodeError as error:
        _refuse("not-utf-8", f" Byte {error.start + 1}.")
    if text.startswith("\ufeff"):
        _refuse("not-utf-8")
    try:
        value = _DECODER.decode(text)
    except json.JSONDecodeError as error:
        _refuse("not-json", f" Line {error.lineno}, column {error.colno}.")
    except (ValueError, RecursionError):
        _refuse("not-json")
    if b"\\u" in body:
        try:
            json.dumps(value, ensure_ascii=False).encode("utf-8")
        except UnicodeEncodeError:
            _refuse("lone-surrogate")
    return value


def canonical(value: Any) -> bytes:
    """The value as JSON in UTF-8 with sorted names and no white space, for the input digest."""
    try:
        return orjson.dumps(value, option=orjson.OPT_SORT_KEYS)
    except TypeError:  # whole numbers beyond 64 bits
        return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode("utf-8")
