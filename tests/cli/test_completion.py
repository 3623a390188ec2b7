"""The script that a shell completes commands with."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from service.cli import main

BASH = shutil.which("bash") or ""


def script(shell: str, capsys: pytest.CaptureFixture[str]) -> str:
    with pytest.raises(SystemExit) as ended:
        main(["--print-completion", shell])
    assert ended.value.code == 0
    return capsys.readouterr().out


def completed(written: Path, *words: str) -> list[str]:
    """What bash offers for the last of the words."""
    asked = " ".join(f"'{word}'" for word in ("restraint-review", *words))
    lines = (
        f"source {written}; COMP_WORDS=({asked}); COMP_CWORD={len(words)}",
        f"_shtab_restraint_review restraint-review '{words[-1]}' '{(('restraint-review', *words))[-2]}'",
        'printf "%s\\n" "${COMPREPLY[@]}"',
    )
    done = subprocess.run([BASH, "--norc", "-c", "\n".join(lines)], capture_output=True, text=True, timeout=30)
    return done.stdout.split()


@pytest.mark.skipif(not BASH, reason="bash is not here")
def test_bash_accepts_it_and_completes_commands_and_options(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    written = tmp_path / "completion.bash"
    written.write_text(script("bash", capsys), encoding="utf-8")
    assert subprocess.run([BASH, "-n", str(written)], capture_output=True, timeout=30).returncode == 0
    assert completed(written, "ru") == ["rules"]
    assert completed(written, "rules", "so") == ["sources"]
    assert completed(written, "profiles", "d") == ["diff"]
    assert "--profile" in completed(written, "check", "--p")
    assert completed(written, "no-such") == []


def test_there_is_one_for_zsh(capsys: pytest.CaptureFixture[str]) -> None:
    assert script("zsh", capsys).startswith("#compdef restraint-review")


def test_a_shell_that_is_not_known_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["--print-completion", "fish-tank"])
    assert ended.value.code == 2
