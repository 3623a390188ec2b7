"""A block between two marks of a document is replaced whole, or the document is refused."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.support.written import between, put, write_or_compare

BEGIN, END = "<!-- it -->", "<!-- /it -->"


def test_writing_replaces_what_stands_between_the_marks() -> None:
    once = put(f"a\n{BEGIN}\nold\n{END}\nb\n", "it", "new")
    assert once == f"a\n{BEGIN}\nnew\n{END}\nb\n" == put(once, "it", "new")
    assert between(once, "it") == "new"


@pytest.mark.parametrize("text", ["", f"{END}{BEGIN}", f"{BEGIN}{BEGIN}{END}", f"{BEGIN}{END}{END}"])
def test_a_document_without_the_place_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="once each"):
        put(text, "it", "new")


def test_nothing_is_written_unless_it_is_asked_for(tmp_path: Path) -> None:
    path = tmp_path / "document.md"
    assert write_or_compare({path: "new"}, write=False) == 1 and not path.exists()
    assert write_or_compare({path: "new"}, write=True) == 0 and path.read_text() == "new"
    assert write_or_compare({path: "new"}, write=False) == 0
    assert write_or_compare({path: "newer"}, write=False) == 1 and path.read_text() == "new"
