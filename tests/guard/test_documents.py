"""What the documents name is there: files, headings, modules, commands. The guide stays short."""

from __future__ import annotations

import importlib.util
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from service import cli

ROOT = Path(__file__).parents[2]
HOMES = ("*.md", "docker/*.md", "rules/*.md", "service/*.md", "tests/*/*.md", ".github/**/*.md")
DOCUMENTS = sorted(path for home in HOMES for path in ROOT.glob(home))
#: Files that stand in a checkout, a container or an agency's own place, and not in the repository.
ELSEWHERE = re.compile(r"docker/(?:access|secrets|agency)\b")


def named(pattern: str) -> Iterator[tuple[str, Path]]:
    """What the pattern finds in every document, with the document."""
    for path in DOCUMENTS:
        for found in re.findall(pattern, path.read_text("utf-8")):
            yield found, path


def anchor(heading: str) -> str:
    """As a page of Markdown names a heading."""
    return re.sub(r"[^\w -]", "", heading).strip().lower().replace(" ", "-")


def test_every_document_is_looked_at() -> None:
    names = {str(path.relative_to(ROOT)) for path in DOCUMENTS}
    assert {"README.md", "DEVELOPERS.md", "docker/README.md", "docker/SECURITY.md", "rules/README.md"} <= names


def test_the_guide_is_short() -> None:
    assert (ROOT / "DEVELOPERS.md").stat().st_size <= 12_000


def test_links_lead_somewhere() -> None:
    wrong = []
    # What stands between backticks is code.
    for link, path in named(r"`[^`\n]*`|\]\(([^)\s]+)\)"):
        if not link:
            continue
        file, _, heading = link.partition("#")
        target = (path.parent / file).resolve() if file else path
        if not target.exists():
            wrong.append((path.name, link))
        elif heading:
            headings = re.findall(r"^#+ (.+)$", target.read_text("utf-8"), re.MULTILINE)
            wrong += [] if heading in map(anchor, headings) else [(path.name, link)]
    assert wrong == []


def test_paths_are_those_of_files() -> None:
    paths = list(named(r"`((?:service|tests|rules|docker|\.ci|\.github)/[\w./-]+)`"))
    assert len(paths) > 60
    assert [(path.name, name) for name, path in paths if not ELSEWHERE.match(name) and not (ROOT / name).exists()] == []


def test_modules_can_be_run() -> None:
    modules = {module for module, _ in named(r"python -m ((?:service|tests)[\w.]*)")}
    assert len(modules) > 10
    assert [name for name in sorted(modules) if importlib.util.find_spec(name) is None] == []


def test_commands_and_their_options_are_known(capsys: pytest.CaptureFixture[str]) -> None:
    found: dict[str, set[str]] = {}
    for text, _ in named(r"restraint-review ((?:(?:keys|rules) )?[a-z-]+(?: [^`\n]*)?)"):
        words = text.split("  ")[0].split()
        if words[0] in ("keys", "rules") or words[0] in (
            "serve",
            "demo",
            "check",
            "batch",
            "measures",
            "compare",
            "convert",
        ):
            command = " ".join(words[:2] if words[0] in ("keys", "rules") else words[:1])
            found.setdefault(command, set()).update(word for word in words if re.fullmatch(r"--[a-z-]+", word))
    assert len(found) > 10
    for command, options in found.items():
        with pytest.raises(SystemExit) as ended:
            cli.main([*command.split(), "--help"])
        help_ = capsys.readouterr().out
        assert ended.value.code == 0, command
        assert [option for option in sorted(options) if option not in help_] == [], command
