"""Ranges cut anywhere give every line once, with its number."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.batch import blocks

_CONTENT = st.lists(st.sampled_from([b"\n", b"a", b"\r\n", b"bb", b"\n\n", b"x" * 30]), max_size=40).map(b"".join)


@settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(contents=st.lists(_CONTENT, min_size=1, max_size=3), size=st.integers(1, 40), most=st.sampled_from([5, 1000]))
def test_every_line_once(tmp_path: Path, contents: list[bytes], size: int, most: int) -> None:
    paths = []
    for index, content in enumerate(contents):
        (tmp_path / str(index)).write_bytes(content)
        paths.append(str(tmp_path / str(index)))
    cut = blocks.cut(paths, size)
    ended = [blocks.count_lines(block) for block in cut]
    found: dict[int, list[tuple[int, bytes | None]]] = {}
    for placed in blocks.place(cut, ended):
        found.setdefault(placed.block.input, []).extend(blocks.owned(placed, most))
    for index, content in enumerate(contents):
        whole = (
            content.splitlines(keepends=True)
            if b"\r" not in content
            else [part + b"\n" for part in content.split(b"\n")]
        )
        if b"\r" in content:
            whole[-1] = whole[-1][:-1]
            whole = whole if whole[-1] else whole[:-1]
        assert found.get(index, []) == [
            (n, line if len(line) <= most or (len(line) == most + 1 and line.endswith(b"\n")) else None)
            for n, line in enumerate(whole, 1)
        ]
    assert sum(ended) == sum(map(len, found.values()))


def test_the_digest_tells_lines_numbers_and_ranges_apart(tmp_path: Path) -> None:
    path = tmp_path / "a"
    path.write_bytes(b"one\ntwo\n")
    block = blocks.Block(0, str(path), 0, 8)
    same = blocks.digest(blocks.Placed(block, 0))
    assert blocks.digest(blocks.Placed(block, 0)) == same
    assert blocks.digest(blocks.Placed(block, 1)) != same
    path.write_bytes(b"one\ntwx\n")
    assert blocks.digest(blocks.Placed(block, 0)) != same


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(OSError):
        blocks.cut([str(tmp_path / "none")])
