"""The scorer of charts by other hands finds what is found, and nothing else."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from tests.corpora.told import score
from tests.support.pipeline import demo

DEFECT: dict[str, Any] = {
    "chart": "one",
    "id": "one-1",
    "what": "very low saturation and nothing done",
    "category": "safety",
    "severity": "critical",
    "concerns": ["breathing"],
    "places": ["/monitoring/vitals/9"],
}


def _directory(path: Path, expected: list[dict[str, Any]]) -> Path:
    chart = demo("exemplary")
    (path / "charts").mkdir()
    (path / "charts" / "clean.json").write_text(json.dumps(chart))
    chart["monitoring"]["vitals"][9]["spo2"] = 78
    (path / "charts" / "one.json").write_text(json.dumps(chart))
    (path / "expected.jsonl").write_text("\n".join(map(json.dumps, expected)))
    return path


def test_a_defect_that_is_found_counts(tmp_path: Path) -> None:
    found = score([_directory(tmp_path, [DEFECT, {"chart": "clean", "clean": True}])])
    assert (found.planted["safety"], found.found["critical"], found.missed) == (1, 1, [])
    assert (found.clean, found.loud) == (1, [])


@pytest.mark.parametrize(
    "change",
    [{"concerns": ["limb"]}, {"places": ["/monitoring/vitals/8"]}],
    ids=["concern", "place"],
)
def test_a_defect_that_is_not_there_is_missed(tmp_path: Path, change: dict[str, Any]) -> None:
    found = score([_directory(tmp_path, [{**DEFECT, **change}])])
    assert len(found.missed) == 1 and not found.found


def test_what_is_said_of_a_clean_chart_is_told(tmp_path: Path) -> None:
    found = score([_directory(tmp_path, [{"chart": "one", "clean": True}])])
    assert found.loud and not found.planted
