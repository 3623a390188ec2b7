"""The quick reader never differs from the strict parser and marshmallow on what it accepts.

What is compared is more than equality: 5 and 5.0, or a list and a tuple, are
equal in Python and not the same record.
"""

from __future__ import annotations

import copy
import json
import random
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest
from marshmallow import ValidationError

from service.commands.rule_checks import exemplary
from service.episode import declaration, record
from service.episode.declaration import Node
from service.episode.moment import Moment
from service.intake import episode_json, fast_reader, fields, strict_json
from service.intake.result import Intake
from service.problems import Rejected
from tests.benchmark.episodes import SIZES, episode
from tests.support.episodes import put

ODD: list[Any] = [
    None, True, False, 0, -1, 1, 5.0, 2.5, 1e300, 10**30, "", "x", "none", "left", "2031-04-12T18:02:00-06:00", "2031-04-12T18:02:00Z",
    "2031-04-12T18:02:00.5-06:00", "2031-W15-6T18:02:00-06:00", "2031-04-12T18:02:00-06:99", "a:b", [], [[]], {}, {"none": True},
    {"absent": "not_collected"}, {"absent": "declined", "reason": "ruled_out"}, {"absent": "declined", "reason": "no"}, {"absent": 1},
    ["self"], ["self", "self"], "ünïcode", "\u0662031-04-12T18:02:00-06:00", {"extensions": {}},
]  # fmt: skip


CLASSES = [cls for cls in vars(record).values() if isinstance(cls, type) and issubclass(cls, Node) and cls is not Node]


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


def exact(value: Any) -> Any:
    """A reading with the types of its values, the text of its times and their epoch."""
    if isinstance(value, Node):
        named = {member.name: exact(getattr(value, member.name)) for member in declaration.members(type(value))}
        return (type(value), value.at, named)
    if isinstance(value, Moment):
        return (value.text, value.epoch)
    if isinstance(value, Intake):
        return (exact(value.episode), value.accepted, value.notices, value.digest, value.language, value.places)
    return (type(value), [exact(item) for item in value] if isinstance(value, (list, tuple)) else value)


def answer(read: Any, *sent: Any) -> Any:
    try:
        return exact(read(*sent))
    except Rejected as error:
        return (error.status, error.code, error.errors, error.omitted)


def by_strict(body: bytes) -> Any:
    return answer(lambda: episode_json.from_value(strict_json.loads(body)))


def by_read(body: bytes) -> Any:
    return answer(episode_json.read, body)


def varied() -> dict[str, Any]:
    """An episode with every state a member can have, items without ids, extensions, acceptances."""
    base = exemplary()
    base["not_collected"] = ["/stretcher/height", "/application/limbs/*/padded"]
    del base["stretcher"]["height"]
    for limb in base["application"]["limbs"]:
        del limb["padded"]
    declined = {"absent": "declined", "reason": "patient_refused"}
    vital = base["monitoring"]["vitals"][0]
    for name in ("spo2", "temperature_c", "rhythm", "entered"):
        vital[name] = declined
    base["patient"] |= {"conditions": {"absent": "not_collected"}, "allergies": declined, "sex": declined}
    del base["monitoring"]["vitals"][1]["id"]
    base["reassessments"], base["custody"], base["team"] = declined, [], {"absent": "not_collected"}
    base["injuries"], base["postures"] = {"none": True}, {"none": True}
    base["extensions"] = {"a:b": [{"absent": "c:d", "g": None}, 1.5], "h": {}}
    base["accepted"] = [{"fingerprint": "v1:0", "reason": "Seen: agreed."}]
    base["narrative"] = 'One: \n\t"two" \\ \u0007 \u00fc \U0001f691.'
    return base


def test_same_answer_on_mutated_episodes() -> None:
    rng = random.Random(20310412)
    base = varied()
    paths = places(base)
    taken = 0
    for _ in range(500):
        body = json.dumps(
            mutate(rng, base, paths), ensure_ascii=rng.random() < 0.5, indent=rng.choice((None, 1))
        ).encode()
        assert by_read(body) == by_strict(body)
        taken += episode_json._read_fast(body) is not None
    assert taken > 60, "the quick way was hardly taken: the test would prove nothing"


def test_same_answer_on_mutated_bytes() -> None:
    """Bytes taken out, put in, written twice, or exchanged for others that JSON gives a meaning."""
    rng = random.Random(8259)
    base = json.dumps(varied()).encode()
    scraps = [b'"', b":", b",", b"{", b"}", b"[", b"]", b"\\", b"\\u003a", b"\\u003A", b"\\ud800", b"\\u0061", b" ", b"\n", b"\x00", b"\x7f",
              b"\xff", b"\xed\xa0\x80", b"\xef\xbb\xbf", b"0", b"-0", b".0", b"e0", b"E1", b"1e400", b"NaN", b"null", b"true", b"9" * 30]  # fmt: skip
    taken = 0
    for _ in range(600):
        body = base
        for _ in range(rng.choice((1, 1, 2))):
            start = rng.randrange(len(body))
            end = start + rng.choice((0, 0, 1, 1, 2, rng.randrange(60)))
            put = rng.choice((b"", body[start:end] * 2, rng.choice(scraps)))
            body = body[:start] + put + body[end:]
        assert by_read(body) == by_strict(body)
        taken += episode_json._read_fast(body) is not None
    assert taken > 60, "the quick way was hardly taken: the test would prove nothing"


def test_members_written_twice_or_unknown_are_never_dropped() -> None:
    """msgspec drops equal names without a word: here every one there is is written twice, and once more under another name."""
    base = varied()
    text = json.dumps(base)
    for path in {tuple("*" if isinstance(s, int) else s for s in p): p for p in places(base)}.values():
        if not isinstance(path[-1], str):
            continue
        other = copy.deepcopy(base)
        holder: Any = other
        for step in path[:-1]:
            holder = holder[step]
        holder["no_such"] = value = holder[path[-1]]
        unknown = json.dumps(other)
        twice = unknown.replace('"no_such"', json.dumps(path[-1]))
        escaped = unknown.replace(
            '"no_such"', json.dumps(f"\\u{ord(path[-1][0]):04x}{path[-1][1:]}").replace("\\\\", "\\")
        )
        assert twice != text != unknown and escaped not in (twice, unknown), value
        assert episode_json._read_fast(twice.encode()) is None
        assert episode_json._read_fast(escaped.encode()) is None
        if path[0] not in ("extensions", "accepted"):
            assert episode_json._read_fast(unknown.encode()) is None


def test_a_colon_that_is_written_as_an_escape_makes_up_for_nothing() -> None:
    for colon in ("\\u003a", "\\u003A"):
        body = f'{{"episode_ref": "a", "narrative": "a", "narrative": "b{colon}c"}}'.encode()
        assert episode_json._read_fast(body) is None
        assert by_read(body)[1] == "duplicate-member"


@pytest.mark.parametrize(
    "number", ["5", "5.0", "5e0", "50e-1", "-0", "-0.0", "1E1", "5.50", "7.25", "5000000000000000000000", "1e-7"]
)
@pytest.mark.parametrize("place", ["patient/weight_kg", "patient/age/value", "patient/gestation_weeks", "extensions"])
def test_numbers_however_they_are_written(number: str, place: str) -> None:
    base: Any = exemplary() | {"extensions": 1}
    *way, last = place.split("/")
    holder = base
    for step in way:
        holder = holder[step]
    holder[last] = "here"
    body = json.dumps(base).replace('"here"', number).encode()
    assert by_read(body) == by_strict(body)


@pytest.mark.parametrize("levels", [30, 31, 32, 33, 40, 1200])
def test_extensions_nest_as_deep_as_any_value(levels: int) -> None:
    for opening, closing in (("[", "]"), ('{"a":', "}")):
        inner = opening * levels + "1" + closing * levels
        body = (json.dumps(exemplary())[:-1] + f', "extensions": {inner}}}').encode()
        assert by_read(body) == by_strict(body)
        assert (episode_json._read_fast(body) is not None) == (levels <= 31)


def test_long_lists_go_the_strict_way() -> None:
    for name, item in (("accepted", {"fingerprint": "v1:0", "reason": "a"}), ("not_collected", "/stretcher/height")):
        body = json.dumps(exemplary() | {name: [item] * 2001}).encode()
        assert episode_json._read_fast(body) is None
        assert by_read(body) == by_strict(body)


TIMES = [
    f"{day}{clock}{end}"
    for day in ("2031-04-12T", "2031-04-12t", "2031-04-12 ", "2031-02-30T", "1949-12-31T", "1950-01-01T", "2050-12-31T", "2051-01-01T", "20310412T1", "2031-W15-6T", "1969-12-31T")
    for clock in ("18:02", "00:00", "23:59", "24:00", "18:60", "1802:", "18:2:")
    for end in (":00-06:00", ":59Z", ":60Z", ":00z", ":00.5Z", ":00.000+00:00", ":00.123456789-03:30", ":00", "Z", ":00-06:60", ":00+24:00", ":00+23:59", ":00-00:00", ":00 Z", ":0\u0660Z", "")
]  # fmt: skip


def test_every_time_is_read_as_the_strict_field_reads_it() -> None:
    """Alone and after others: what is kept of an earlier time never makes a later one good."""
    rng = random.Random(3339)
    read = 0
    times = fast_reader._Times()
    for text in [*TIMES, *rng.sample(TIMES, len(TIMES))]:
        try:
            strict = exact(fields.AwareTime().deserialize(text))
        except ValidationError:
            for known in (times, fast_reader._Times()):
                with pytest.raises((KeyError, ValidationError)):
                    known[text]
        else:
            assert exact(times[text]) == exact(fast_reader._Times()[text]) == strict
            read += 1
    assert read > 200


def test_canonical_form_is_that_of_the_strict_way() -> None:
    """Two libraries write it: every character, and numbers within the bounds that members have.

    From 1e16 on they write exponents differently; no member goes that far.
    """
    assert all(
        m.kind.high < 1e16 for cls in CLASSES for m in declaration.members(cls) if isinstance(m.kind, declaration.Num)
    )
    rng = random.Random(8785)
    characters = [chr(code) for code in range(0x11_0000) if not 0xD800 <= code < 0xE000]
    texts = ["".join(characters[start : start + 3000]) for start in range(0, len(characters), 3000)]
    numbers = [10.0 ** -rng.randint(0, 9) * rng.uniform(0, 500) for _ in range(2000)]
    numbers += [round(number, rng.randint(0, 6)) for number in numbers] + [
        5.0,
        5,
        0,
        0.0,
        -0.0,
        0.1 + 0.2,
        1e-7,
        5e-324,
    ]
    sent = [{"episode_ref": "e", "narrative": text} for text in texts]
    sent += [{"episode_ref": "e", "monitoring": {"vitals": [{"etco2_mmhg": number}]}} for number in numbers]
    for document in sent:
        body = json.dumps(document, ensure_ascii=rng.random() < 0.5).encode()
        parsed = fast_reader.parse(body)
        assert parsed is not None
        assert parsed.written == strict_json.canonical(strict_json.loads(body))


def test_no_thread_misses_its_absences() -> None:
    with ThreadPoolExecutor(2) as threads:
        some = json.dumps({"episode_ref": "e", "patient": {"sex": {"absent": "not_collected"}}}).encode()
        none = json.dumps({"episode_ref": "e", "patient": {"sex": "male"}}).encode()
        found = list(threads.map(fast_reader.parse, [some, none] * 500))
    assert len(found) == 1000 and all(each is not None for each in found)
    assert all(each.absences for each in found[::2] if each is not None)
    alone = [fast_reader.parse(body) for body in (some, none)]
    assert [each.absences for each in alone if each is not None] == [True, False]


@pytest.mark.parametrize("size", SIZES)
def test_large_episodes_are_read_the_same(size: int) -> None:
    body = json.dumps(episode(size)).encode()
    assert episode_json._read_fast(body) is not None
    assert by_read(body) == by_strict(body)


@pytest.mark.parametrize(
    "pointer", ["/patient/age", "/team", "/monitoring/vitals", "/patient/sex", "/monitoring/vitals/0/id"]
)
@pytest.mark.parametrize("state", [{"absent": "not_collected"}, {"absent": "declined", "reason": "patient_refused"}])
def test_an_absence_takes_the_quick_way(pointer: str, state: dict[str, str]) -> None:
    """Also where the members of a section are required, once it is there."""
    document = exemplary()
    put(document, pointer, state)
    body = json.dumps(document).encode()
    assert episode_json._read_fast(body) is not None
    assert by_read(body) == by_strict(body)
    put(document, pointer, state | {"value": 3})
    more = json.dumps(document).encode()
    assert episode_json._read_fast(more) is None
    assert by_read(more) == by_strict(more)


def test_what_is_no_part_of_the_record_is_counted_too() -> None:
    """Extensions and acceptances with colons and members of their own; equal names in them are still seen."""
    body = json.dumps(varied()).encode()
    assert exact(episode_json._read_fast(body)) == by_strict(body)
    twice = body.replace(b'"h": {}', b'"h": {}, "h": {}')
    assert episode_json._read_fast(twice) is None
    assert by_read(twice)[1] == "duplicate-member"
    for name in ("extensions", "accepted", "not_collected"):
        null = json.dumps(exemplary() | {name: None}).encode()
        assert by_read(null) == by_strict(null)


def test_what_a_reader_has_made_is_read_the_same() -> None:
    rng = random.Random(12)
    base = varied()
    paths = places(base)
    for _ in range(300):
        value = mutate(rng, base, paths)
        # The digest is the reader's, and a value of the table's members is no surprise.
        made = answer(episode_json.from_made, copy.deepcopy(value))
        sent = answer(episode_json.from_value, value)
        assert made[:1] == sent[:1] if len(made) == 6 else made == sent
        assert len(made) == len(sent)
        if len(made) == 6:
            assert made[2] == ()


def test_plain_episode_takes_the_quick_way() -> None:
    assert episode_json._read_fast(json.dumps(exemplary()).encode()) is not None


def test_equal_names_never_take_the_quick_way() -> None:
    for text in (
        '{"episode_ref": "a", "episode_ref": "a"}',
        '{"episode_ref": "a", "narrative" : "b", "narrative": "b"}',
        '{"episode_ref": "a", "narrative": "x: y", "narrative": "z"}',
        '{"episode_ref": "a", "chart": {"opened": "2031-04-12T18:02:00Z", "opened": "2031-04-12T18:02:00Z"}}',
    ):
        assert by_read(text.encode()) == by_strict(text.encode())
        assert by_read(text.encode())[1] == "duplicate-member"


ODD_SECTIONS: list[Any] = [
    {}, [], {"none": True}, {"none": False}, {"none": 1}, {"reason": "ruled_out"}, {"absent": "not_collected", "none": True},
    {"absent": "not_collected", "reason": "ruled_out"}, {"absent": "declined"}, {"absent": "declined", "reason": "ruled_out"},
    {"none": True, "reason": "ruled_out"}, {"none": True, "time": "2031-04-12T18:02:00Z"}, {"absent": "declined", "reason": "ruled_out", "id": "a"},
]  # fmt: skip


@pytest.mark.parametrize(
    "name", ["sedation", "custody", "handover", "chart", "postures", "reassessments", "monitoring"]
)
def test_sections_that_say_something_odd_of_themselves(name: str) -> None:
    for value in ODD_SECTIONS:
        body = json.dumps(exemplary() | {name: value}).encode()
        assert by_read(body) == by_strict(body)
