"""What the README shows is what the service answers."""

from __future__ import annotations

import json
from pathlib import Path

from tests.support.pipeline import pipeline

ROOT = Path(__file__).parents[2]


def block(name: str) -> str:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    inner = text.split(f"<!-- {name} -->")[1].split(f"<!-- /{name} -->")[0]
    return "\n".join(line for line in inner.strip().splitlines() if not line.startswith("```"))


def test_episode_and_finding() -> None:
    review = pipeline().review(block("episode").encode(), "application/json", "default").document
    shown = json.loads(block("finding"))
    found = [f for f in review["findings"] if f["rule"]["id"] == shown["rule"]["id"]]
    assert len(found) == 1
    assert {name: found[0][name] for name in shown} == shown
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    assert f"Of its {review['summary']['findings']} findings" in text


def test_ci_runs_the_readme_command() -> None:
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert "<!-- tests -->" in script
    assert block("tests").count("\n") == 0
    assert block("demo").count("\n") == 0


def test_the_cautions_stand_in_the_readme() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    for words in ("not a medical device", "medical or legal advice", "Local protocol and medical direction always win"):
        assert words in text


def test_nothing_else_at_the_top() -> None:
    allowed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "service", "rules", "openapi.yaml", "tests", "docker"}
    left_by_tools = {"dist", "build"}
    assert {p.name for p in ROOT.iterdir() if not p.name.startswith(".")} - left_by_tools <= allowed
