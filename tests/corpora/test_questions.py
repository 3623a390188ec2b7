"""The count of questions counts what it says, and the shares can be told from each other."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.corpora.questions import Written, charts, lines, member_path, read_written, same_place, shares
from tests.support.episodes import drop, exemplary


@pytest.fixture
def chart(tmp_path: Path) -> Path:
    """The exemplary chart without its blood sugar, its behaviors and every limb check."""
    document = exemplary()
    drop(document, "/decision/behaviours")
    drop(document, "/monitoring/limb_checks")
    for vital in document["monitoring"]["vitals"]:
        vital.pop("glucose_mg_dl", None)
        vital.pop("glucose_reading", None)
    path = tmp_path / "chart-1.json"
    path.write_text(json.dumps(document))
    return path


def test_paths_of_members() -> None:
    assert member_path("/monitoring/vitals/12/spo2") == "/monitoring/vitals/*/spo2"
    assert member_path("/monitoring/limb_checks/-") == "/monitoring/limb_checks/*"
    assert same_place("/decision", "/decision/capacity")
    assert same_place("/decision/capacity", "/decision/capacity")
    assert not same_place("/decision/capacity", "/decision/capacity_basis")
    assert not same_place("", "/decision/capacity")


def test_questions_and_shares(chart: Path, tmp_path: Path) -> None:
    found = charts([chart], "default")
    assert {q.rule for q in found["chart-1"]} == {"RR-1004", "RR-1010", "RR-1303"}
    assert [q.rule for q in found["chart-1"] if q.danger] == ["RR-1303"]
    reader = tmp_path / "reader.jsonl"
    reader.write_text(
        '{"chart": "chart-1", "path": "/monitoring/limb_checks/*", "words": "limbs?", "danger": true}\n'
        '{"chart": "chart-1", "pointer": "/decision/behaviours", "words": "what did he do"}\n'
        '{"chart": "chart-1", "path": "/handover/time", "words": "when"}\n'
    )
    written = read_written([reader, reader])
    assert len(written) == 3
    told = shares(found, written)
    assert (told["danger"].written, told["danger"].written_and_asked) == (1, 1)
    assert (told["other"].written, told["other"].written_and_asked) == (2, 1)
    assert (told["other"].asked, told["other"].asked_and_written) == (2, 1)
    assert told["other"].not_asked == ["chart-1: /handover/time when"]
    assert [line.split()[1] for line in told["other"].not_written] == ["RR-1010"]


def test_a_sealed_half_shows_shares_and_nothing_else(chart: Path) -> None:
    found = charts([chart], "default")
    said = list(lines(found, [Written("chart-1", "/handover/time", False, "when")], only_shares=True))
    assert len(said) == 5
    assert not any("RR-" in line or "chart-1" in line for line in said)


def test_a_list_for_another_chart_is_refused(chart: Path) -> None:
    with pytest.raises(SystemExit, match="no chart"):
        shares(charts([chart], "default"), [Written("chart-2", "/handover/time", False, "")])
