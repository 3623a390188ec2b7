"""What the README shows is what the service answers, and it stays short."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from tests.support.pipeline import pipeline
from tests.support.written import between

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
MOST_WORDS = 1300
MOST_WORDS_IN_A_SENTENCE = 25


def block(name: str) -> str:
    return "\n".join(line for line in between(README, name).splitlines() if not line.startswith("```"))


def sentences(text: str) -> list[str]:
    """What a person reads as one sentence: of paragraphs, list items and cells of tables; code within it is one word."""
    text = re.sub(r"^```.*?^```$", "\n", text, flags=re.MULTILINE | re.DOTALL)
    text = re.sub(r"<!--.*?-->", "\n", text)
    text = re.sub(r"`[^`]*`", "code", text)
    text = re.sub(r"\[([^\]]*)\]\([^)]*\)", r"\1", text)
    pieces = re.split(r"\n\s*\n|\n(?=[-#|])|\|", text)
    return [s for piece in pieces for s in re.split(r"(?<=[.!?])\**\s+", piece) if re.search(r"\w", s)]


def test_the_readme_is_short() -> None:
    assert len(README.split()) <= MOST_WORDS


def test_no_sentence_is_long() -> None:
    long = [s for s in sentences(README) if len(re.findall(r"\S*\w\S*", s)) > MOST_WORDS_IN_A_SENTENCE]
    assert long == []


@pytest.mark.parametrize(("text", "count"), [("One two. Three\nfour.\n\n- Five `a b c`.\n- Six.", 4), ("|a b.|c|", 2)])
def test_sentences_are_told_apart(text: str, count: int) -> None:
    assert len(sentences(text)) == count


def test_episode_and_finding() -> None:
    review = pipeline().review(block("episode").encode(), "application/json", "default").document
    shown = json.loads(block("finding"))
    found = [f for f in review["findings"] if f["rule"]["id"] == shown["rule"]["id"]]
    assert len(found) == 1
    assert {name: found[0][name] for name in shown} == shown
    assert f"Of its {review['summary']['findings']} findings" in README


def test_ci_runs_the_readme_command() -> None:
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert "<!-- tests -->" in script
    assert block("tests").count("\n") == 0
    assert block("demo").count("\n") == 0


def test_the_cautions_stand_in_the_readme() -> None:
    for words in ("not a medical device", "medical or legal advice", "Local protocol and medical direction always win"):
        assert words in README


def test_nothing_else_at_the_top() -> None:
    allowed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "service", "rules", "openapi.yaml", "tests", "docker"}
    left_by_tools = {"dist", "build"}
    assert {p.name for p in ROOT.iterdir() if not p.name.startswith(".")} - left_by_tools <= allowed
