"""What ``convert`` writes reads back as the same episode, and gives the same findings."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from service import cli
from service.commands.exit_status import FAILED, OK
from service.pipeline import Pipeline
from service.resources import demo_directory
from tests.support.reviews import instances

MEDIA = {"fhir": "application/fhir+json", "nemsis": "application/xml"}


@pytest.mark.parametrize("to", ["fhir", "nemsis"])
@pytest.mark.parametrize("name", ["exemplary", "hold-only", "elder-repeated-midazolam"])
def test_the_same_findings_through_every_format(pipeline: Pipeline, name: str, to: str, tmp_path: Path) -> None:
    source, target = demo_directory() / f"{name}.json", tmp_path / "out"
    assert cli.main(["convert", str(source), "--to", to, "--output", str(target)]) == OK

    native = pipeline.review(source.read_bytes(), "application/json", "default").document
    foreign = pipeline.review(target.read_bytes(), MEDIA[to], "default").document
    marks = [[f["fingerprint"] for f in instances(each)] for each in (native, foreign)]
    assert marks[0] == marks[1]


def test_a_bad_episode_is_told_where(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bad = tmp_path / "bad.json"
    bad.write_text(json.dumps({"episode_ref": "e", "patient": {"weight_kg": -1}}), encoding="utf-8")
    assert cli.main(["convert", str(bad), "--to", "fhir"]) == FAILED
    assert "/patient/weight_kg" in capsys.readouterr().err
    assert cli.main(["convert", str(tmp_path / "none.json"), "--to", "fhir"]) == FAILED
    nowhere = str(tmp_path / "no" / "folder")
    assert (
        cli.main(["convert", str(demo_directory() / "exemplary.json"), "--to", "fhir", "--output", nowhere]) == FAILED
    )
    assert f"{nowhere}: FileNotFoundError" in capsys.readouterr().err
