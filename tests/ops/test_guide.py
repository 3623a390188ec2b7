"""The guide names every setting with its default: the block between the marks is what ``tests.ops.guide`` prints."""

from __future__ import annotations

from pathlib import Path

from tests.ops.guide import table

ROOT = Path(__file__).parents[2]


def test_the_guide_has_every_setting() -> None:
    texts = [(ROOT / name).read_text("utf-8") for name in ("README.md", "DEVELOPERS.md")]
    blocks = [
        text.split("<!-- settings -->")[1].split("<!-- /settings -->")[0]
        for text in texts
        if "<!-- settings -->" in text
    ]
    assert [block.strip() for block in blocks] == [table()]
