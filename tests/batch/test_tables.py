"""Spreadsheets: what is in them, and that nothing in them runs."""

from __future__ import annotations

import csv
import io
import re

import pytest

from service.batch import lines, tables
from service.pipeline import Pipeline
from tests.batch.made import BAD
from tests.support.episodes import encoded
from tests.support.pipeline import demo
from tests.support.reviews import instances


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "\n=1", "\uff1d1", "-2.a"])
def test_no_cell_is_a_formula(text: str) -> None:
    """The beginnings that OWASP names under CSV Injection."""
    assert str(tables.cell(text)).startswith("'")


@pytest.mark.parametrize("text", ["a;=1+1", "a;  @SUM(A1)", "a\t-1", "a;\uff0b1"])
def test_no_formula_begins_after_another_separator(text: str) -> None:
    """A spreadsheet set to semicolons or tabs would begin a cell there (OWASP, CSV Injection: mind the field separator)."""
    found = str(tables.cell(text))
    assert found.replace("'", "") == text
    assert not re.search(r"[;\t]\s*[=+@\uff0b-]", found)


@pytest.mark.parametrize(
    ("value", "shown"), [(-3, -3), (True, "true"), (None, ""), ("a=b", "a=b"), ("two\nlines", "two lines"), (0.5, 0.5)]
)
def test_other_cells_stay(value: object, shown: object) -> None:
    assert tables.cell(value) == shown


def _read(content: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(content.decode("utf-8-sig"), newline="")))


def test_rows_of_a_review_and_of_a_bad_line(pipeline: Pipeline) -> None:
    document = demo("everything-wrong") | {"episode_ref": "-1.cmd"}
    good = lines.answer(pipeline, encoded(document), 1, "default")
    bad = lines.answer(pipeline, BAD, 2, "default")
    content = tables.heading(tables.EPISODES) + tables.rows(
        tables.EPISODES, [tables.episode_row("=a", each, "station-4") for each in (good, bad)]
    )
    first, second = _read(content)
    assert good.review is not None
    summary = good.review.document["summary"]
    assert (first["file"], first["episode_ref"], first["problem"]) == ("'=a", "'-1.cmd", "")
    assert [int(first[name]) for name in ("critical", "findings", "rules_clear")] == [
        summary["by_severity"]["critical"],
        summary["findings"],
        summary["clear"],
    ]
    assert (first["group"], first["date"]) == ("station-4", "2031-11-02")
    # What a reader filters by adds up, each way, to all findings.
    for names in (
        ("critical", "warning", "info"),
        ("for_author", "for_reviewer"),
        ("completeness", "safety", "consistency"),
    ):
        assert sum(int(first[name]) for name in names) == summary["findings"]
    assert second["problem_title"] == "Not an episode"
    assert (second["line"], second["status"], second["problem"], second["problem_at"], second["problem_pointers"]) == (
        "2",
        "422",
        "invalid-episode",
        "episode ref: Give text.",
        "/episode_ref",
    )
    found = _read(tables.heading(tables.FINDINGS) + tables.rows(tables.FINDINGS, tables.finding_rows("f", good)))
    assert len({row["rule"] for row in found if row["standing"] == "stands"}) == summary["findings"]
    standing = {name: [row for row in found if row["standing"] == name] for name in ("stands", "unjudged")}
    told = good.review.document
    assert sum(map(len, standing.values())) == len(found)
    assert [row["fingerprint"] for row in standing["stands"]] == [one["fingerprint"] for one in instances(told)]
    assert [row["rule"] for row in standing["unjudged"]] == [
        entry["rule"]["id"] for entry in told["unjudged"] for _ in entry["instances"] or [None]
    ]
    assert [row["message"] for row in standing["stands"]] == [one["message"] for one in instances(told)]
    assert {(row["group"], row["date"]) for row in found} == {("", "2031-11-02")}
    assert all(row["severity"] and row["title"] for row in found)
    assert all(row["phase"] and row["handled_by"] for row in standing["stands"])
    assert tables.finding_rows("f", bad) == []


@pytest.mark.parametrize(
    ("place", "said"),
    [
        ("/monitoring/vitals/3/spo2", "monitoring, vitals number 4, SpO2"),
        ("/patient/age", "patient, age"),
        ("/nem:EMSDataSet/nem:Header/nem:PatientCareReport[2]", "EMSDataSet, Header, PatientCareReport[2]"),
    ],
)
def test_a_place_that_is_wrong_in_words(place: str, said: str) -> None:
    assert tables.in_words(place) == said


def test_the_worst_of_a_chart_is_its_first_finding_unless_something_graver_stays_unjudged() -> None:
    def entry(severity: str, text: str) -> dict[str, object]:
        return {"severity": severity, "message": text, "concern": "airway", "rule": None}

    warned, grave = entry("warning", "found"), entry("critical", "cannot be told")
    assert tables.worst({"findings": [], "unjudged": []}) == {}
    assert tables.worst({"findings": [warned], "unjudged": [grave]})["worst"] == "cannot be told"
    assert tables.worst({"findings": [warned], "unjudged": [warned | {"message": "other"}]})["worst"] == "found"


def test_an_accepted_finding_is_there_with_its_reason(pipeline: Pipeline) -> None:
    document = demo("night-two-crew-late-sedation")
    review = pipeline.review(encoded(document), "application/json", "default").document
    mark = next(one["fingerprint"] for one in instances(review) if one["acceptable"])
    document["accepted"] = [{"fingerprint": mark, "reason": "=HYPERLINK(1)"}]
    rows = tables.finding_rows("f", lines.answer(pipeline, encoded(document), 1, "default"))
    (accepted,) = [row for row in rows if row["standing"] == "accepted"]
    assert accepted["fingerprint"] == mark
    assert b",'=HYPERLINK(1)," in tables.rows(tables.FINDINGS, [accepted])
