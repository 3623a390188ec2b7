"""What somebody uses who writes a rule: the list by words, what may be asked, the sources, a frame to fill in."""

from __future__ import annotations

from pathlib import Path

import pytest

from service import cli
from service.commands.exit_status import FAILED, OK
from tests.support.pipeline import pipeline


def said(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    status = cli.main(["rules", *words])
    told = capsys.readouterr()
    return status, told.out, told.err


def test_the_list_by_words(capsys: pytest.CaptureFixture[str]) -> None:
    rules = pipeline().rulebook.rules
    for flag, part in (("concern", "concern"), ("severity", "severity"), ("handler", "handled_by"), ("kind", "about")):
        word = getattr(rules[0], part)
        _, out, _ = said(capsys, "list", f"--{flag}", word)
        assert [line[:7] for line in out.splitlines()] == [r.id for r in rules if getattr(r, part) == word]
    both = said(capsys, "list", "--phase", "team", "--severity", "warning")[1].splitlines()
    assert [line[:7] for line in both] == [r.id for r in rules if (r.phase, r.severity) == ("team", "warning")]
    status, _, err = said(capsys, "list", "--handler", "nobody")
    assert (status, "author, reviewer, measures" in err) == (FAILED, True)


def test_what_may_be_asked(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = said(capsys, "facts")
    assert all(f"\n{name} " in f"\n{out}" for name in pipeline().rulebook.vocabulary.kinds)
    _, out, _ = said(capsys, "facts", "dose")
    assert "benzodiazepine: true when a benzodiazepine" in out
    assert "* drug: drug; one of chlorpromazine," in out
    assert said(capsys, "facts", "nothing")[0] == FAILED


def test_the_sources_with_their_age_and_what_rests_on_them(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = said(capsys, "sources")
    assert all(key in out for key in pipeline().rulebook.sources)
    _, out, _ = said(capsys, "sources", "los-angeles-2025")
    assert "profile los-angeles-2025: RR-1250.max" in out
    assert "Replaced" in said(capsys, "sources", "naemsp-2002")[1]
    assert said(capsys, "sources", "nothing")[0] == FAILED


@pytest.mark.parametrize(
    ("flags", "parts"),
    [
        ((), ("category: completeness", "handled_by: measures", "severity: {default: info")),
        (("--handler", "author", "--severity", "warning"), ("asked_because: FILL-IN", "severity: {default: warning")),
        (("--handler", "reviewer", "--severity", "critical", "--concern", "drug"), ("category: safety", "concern: drug", "tell_now: ")),
    ],
)  # fmt: skip
def test_a_frame_of_an_agency_s_own_number(
    flags: tuple[str, ...],
    parts: tuple[str, ...],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    status, _, _ = said(
        capsys, "new", "belt-left-open", "--phase", "team", "--kind", "dose", "--into", str(tmp_path), *flags
    )
    assert status == OK
    (made,) = tmp_path.glob("team/RR-9000-belt-left-open.yaml")
    assert all(part in made.read_text("utf-8") for part in parts)
    monkeypatch.setenv("RESTRAINT_REVIEW_EXTRA_RULES_DIR", str(tmp_path))
    status, _, err = said(capsys, "list")
    assert status == FAILED
    assert "FILL-IN is still to be filled in: title, message" in err  # all that is left, at once
    assert "sources, examples" in err


def test_shipped_rules_have_other_numbers() -> None:
    assert all(rule.number < 9000 for rule in pipeline().rulebook.rules)


def test_what_does_not_fit_together_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    asked = (
        "new",
        "belt-left-open",
        "--phase",
        "team",
        "--kind",
        "dose",
        "--into",
        str(tmp_path),
        "--severity",
        "critical",
    )
    assert said(capsys, *asked)[0] == FAILED
    assert not list(tmp_path.rglob("*.yaml"))
