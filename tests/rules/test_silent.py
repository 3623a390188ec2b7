"""No word is silent: what changes nothing alone is listed with a reason. A sample here; the whole by ``python -m tests.rules.silent``."""

from __future__ import annotations

import zlib

from tests.rules import silent
from tests.support.pipeline import pipeline

#: One word of so many is tried.
SHARE = 8
LISTED = {(path, word) for path, words in silent.listed().items() for word in words}


def _sampled(path: str, word: str) -> bool:
    return zlib.crc32(f"{path} {word}".encode()) % SHARE == 0


def test_the_records_are_good() -> None:
    """Nothing above info, so that whatever a swap brings is its own doing."""
    for name, found in silent.before().items():
        assert found is not None, name
        assert [one for one in found.values() if isinstance(one, tuple) and one[0] != "info"] == [], name


def test_what_is_listed_is_silent_and_what_is_not_is_not() -> None:
    changed: dict[tuple[str, str], bool] = {}
    for swap in silent.swaps():
        key = swap.path, swap.word
        if _sampled(*key) and not changed.get(key) and (found := silent.changes(swap)) is not None:
            changed[key] = found
    assert len(changed) > 80
    assert {key for key, loud in changed.items() if not loud} == {key for key in LISTED if _sampled(*key)}


def test_every_listed_word_can_be_charted() -> None:
    assert {(swap.path, swap.word) for swap in silent.swaps()} >= LISTED


def test_every_group_says_why() -> None:
    rules = {rule.id for rule in pipeline().rulebook.rules}
    for group in silent.groups():
        if silent.TOGETHER in group:
            assert group[silent.TOGETHER].keys() == group["silent"].keys()
            assert {rule for of in group[silent.TOGETHER].values() for rule in of.values()} <= rules
        else:
            assert group["reason"] and silent.UNSAID not in group["reason"]


def test_the_sample_can_fail() -> None:
    swap = next(s for s in silent.swaps() if (s.path, s.word) == ("/monitoring/vitals/*/spo2", "lowest"))
    assert silent.changes(swap)
    assert ("/monitoring/vitals/*/spo2", "lowest") not in LISTED
