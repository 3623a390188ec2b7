"""The page for agency IT names every setting with its default: the block between the marks is what ``tests.ops.guide`` writes."""

from __future__ import annotations

from tests.ops.guide import MARK, PAGE, table
from tests.support.written import between


def test_the_page_has_every_setting() -> None:
    assert between(PAGE.read_text("utf-8"), MARK) == table()
