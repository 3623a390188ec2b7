"""Weeks that go into one folder: nothing twice, nothing lost, the worst first."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import pytest

from service import cli
from service.batch import folder, worklist
from service.commands.exit_status import FAILED, FAULTS, OK
from tests.batch.made import BAD, line, write
from tests.support.pages import tree
from tests.support.pipeline import demo

NAMES = (
    "exemplary",
    "lean-sender",
    "everything-wrong",
    "found-prone-handcuffs-key-away",
    "night-two-crew-late-sedation",
)


def batch(out: Path, *files: Path, more: tuple[str, ...] = ()) -> int:
    return cli.main(["batch", *map(str, files), "--output", str(out), "--processes", "1", *more])


def rows(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(path.read_text("utf-8-sig"), newline="")))


def contents(place: Path) -> dict[str, bytes]:
    return {str(path.relative_to(place)): path.read_bytes() for path in sorted(place.rglob("*")) if path.is_file()}


@pytest.fixture(scope="module")
def weeks(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    place = tmp_path_factory.mktemp("weeks")
    charts = [line(demo(name) | {"episode_ref": f"-chart-{n}"}, f"station-{n % 2}") for n, name in enumerate(NAMES)]
    return [
        write(place / "one.ndjson", iter([*charts[:3], BAD])),
        write(place / "two.ndjson", iter([*charts[3:], charts[2]])),
    ]


def test_a_second_week_goes_into_the_folder_and_nothing_is_done_twice(
    weeks: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert batch(tmp_path / "both", *weeks) == FAULTS
    assert batch(tmp_path / "out", weeks[0]) == FAULTS
    before = contents(tmp_path / "out")
    stamp = (tmp_path / "out" / "pages" / "one.ndjson.1.html").stat().st_mtime_ns
    capsys.readouterr()
    assert batch(tmp_path / "out", *weeks) == OK
    said = capsys.readouterr().err
    assert "1 file in the folder already: not done again." in said
    assert "3 lines: 3 reviewed" in said
    after = contents(tmp_path / "out")
    assert (tmp_path / "out" / "pages" / "one.ndjson.1.html").stat().st_mtime_ns == stamp
    # The same as both at once, but for which run brought them.
    whole = contents(tmp_path / "both")
    for name in ("episodes.csv", "findings.csv", "one.ndjson.reviews.ndjson", "two.ndjson.reviews.ndjson"):
        assert after[name] == whole[name]
    assert set(after) == set(whole) == set(before) | {name for name in whole if name.split("/")[-1].startswith("two.")}
    summary = json.loads(after["summary.json"])
    assert summary["lines"] == {"read": 7, "reviewed": 6, "rejected": 1, "not_evaluated": 0}
    assert [each["run"] for each in summary["files"]] == [1, 2]
    assert batch(tmp_path / "out", *weeks) == OK
    assert contents(tmp_path / "out") == after


def test_stopped_between_two_files_of_the_folder(
    weeks: list[Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The tables have the second week already, the summary does not: the same command writes them once."""
    assert batch(tmp_path / "good", weeks[0]) == FAULTS
    assert batch(tmp_path / "good", weeks[1]) == OK
    out = tmp_path / "out"
    assert batch(out, weeks[0]) == FAULTS
    with monkeypatch.context() as patched:
        really = folder.os.replace

        def replace(source: str, target: str) -> None:
            if target == str(out / "summary.json"):
                raise KeyboardInterrupt
            really(source, target)

        patched.setattr(folder.os, "replace", replace)
        batch(out, weeks[1])
    assert (out / folder.PARTS).is_dir()
    assert any("two.ndjson" in row["file"] for row in rows(out / "episodes.csv"))
    assert batch(out, weeks[1]) == OK
    assert contents(out) == contents(tmp_path / "good")


def test_what_cannot_go_into_it_is_said(weeks: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "out"
    assert batch(out, weeks[0]) == FAULTS
    before = contents(out)
    other = write(tmp_path / "one.ndjson", iter([BAD]))
    for arguments, said in (
        ({"files": (other,)}, "holds another one.ndjson"),
        ({"files": (weeks[1],), "more": ("--profile", "massachusetts-2026")}, "another profile"),
        ({"files": (weeks[1],), "more": ("--explain",)}, "other options"),
    ):
        capsys.readouterr()
        assert batch(out, *arguments["files"], more=arguments.get("more", ())) == FAILED  # type: ignore[misc]
        assert said in capsys.readouterr().err
        assert contents(out) == before
    (out / "episodes.csv").write_text("sorted;by;hand\n")
    assert batch(out, weeks[1]) == FAILED
    assert "was changed since" in capsys.readouterr().err


def test_the_worklist(weeks: list[Path], tmp_path: Path) -> None:
    out = tmp_path / "out"
    batch(out, weeks[0])
    batch(out, weeks[1])
    listed = rows(out / "worklist.csv")
    # What has no review stands before all, then what is new, the worst first; a chart that came twice stands once.
    assert listed[0]["problem_title"] == "Not an episode"
    assert listed[0]["problem_at"] == "episode ref: Give text."
    read_rows = listed[1:]
    assert [row["new"] for row in read_rows] == sorted((row["new"] for row in read_rows), reverse=True)
    new = [row for row in read_rows if row["new"] == "true"]
    assert [row["worst_severity"] for row in new] == ["critical", "critical", "warning"]
    assert new[0]["worst"] == "The death of the patient is charted."
    assert len({row["episode_ref"] for row in read_rows}) == len(read_rows)
    by_chart = {row["episode_ref"]: row for row in rows(out / "episodes.csv") if not row["problem"]}
    open_ = [ref for ref, row in by_chart.items() if (row["findings"], row["unjudged"]) != ("0", "0")]
    assert sorted(row["episode_ref"] for row in read_rows) == sorted(open_)
    for row in read_rows:
        chart = by_chart[row["episode_ref"]]
        review = json.loads((out / f"{chart['file']}.reviews.ndjson").read_text().splitlines()[int(chart["line"]) - 1])
        first = (review["review"]["findings"] or review["review"]["unjudged"])[0]
        assert row["worst"] == first["message"]
        assert row["critical"] == str(review["review"]["summary"]["by_severity"]["critical"])
        assert row["for_author"] == str(review["review"]["summary"]["by_handler"]["author"])
    page = tree((out / "worklist.html").read_bytes())
    links = [link.attributes["href"] for table in page.by_class("worklist") for link in table.by_tag("a")]
    assert len(links) == len(read_rows)
    for row, link in zip(read_rows, links, strict=True):
        assert (
            tree((out / link).read_bytes()).by_tag("h1")[0].text()
            == f"Review of {row['episode_ref'].removeprefix(chr(39))}"
        )
    text = page.text()
    assert "Not an episode." in text
    assert "1 chart came more than once with the same content" in text


def test_without_pages_the_rows_say_where_the_chart_is(weeks: list[Path], tmp_path: Path) -> None:
    batch(tmp_path, weeks[0], more=("--pages", "no"))
    assert not (tmp_path / "pages").exists()
    page = tree((tmp_path / "worklist.html").read_bytes())
    assert page.by_class("worklist")[0].by_tag("a") == []
    assert "one.ndjson, line 3" in page.text()


def test_more_than_one_list_can_hold_is_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(worklist, "MOST", 2)
    counts = dict.fromkeys(("critical", "warning", "unjudged", "for_author"), "1")
    made = [
        counts
        | {
            "file": "a",
            "line": str(n),
            "problem": "",
            "findings": "1",
            "worst_severity": severity,
            "worst_concern": concern,
        }
        | {"input_digest": str(n)}
        for n, (severity, concern) in enumerate([("info", "airway"), ("critical", "limb"), ("critical", "airway")])
    ]
    quiet = made[0] | {"findings": "0", "unjudged": "0"}
    found = worklist.document([*made, quiet], [{"file": "a", "run": 1, "read": 4}], ("airway", "limb"), {})
    assert [row["line"] for row in found["charts"]] == ["2", "1"]
    assert (found["total"], found["quiet"], found["more"], found["twice"]) == (4, 1, 1, 0)


def test_names() -> None:
    assert folder.names_of(["a/b.ndjson", "s3://bucket/c.ndjson/"]) == ("b.ndjson", "c.ndjson")
    with pytest.raises(ValueError):
        folder.names_of(["a/b", "c/b"])
