"""Numerators, denominators, what stands beside them, groups, periods and times, each from records made for it."""

from __future__ import annotations

import csv
import io
import json
from datetime import date
from typing import Any

import orjson
import pytest

from service.batch import definitions, lines, measures, measures_table
from service.batch import tally as counts
from service.batch.tally import Tally
from service.pipeline import Pipeline
from service.review.build import Wanted
from tests.batch.made import BAD, line, shifted, some
from tests.support.batch import measured_lines, review_line
from tests.support.episodes import check, clock, dose, encoded, limb, small, vital
from tests.support.pipeline import demo


def measured(pipeline: Pipeline, given: list[bytes], length: str = "month") -> dict[str, Any]:
    return measured_lines(pipeline, given, measures.Look(length))


def by_id(found: dict[str, Any], id_: str) -> dict[str, Any]:
    return dict(next(entry for entry in [*found["measures"], *found["times"]] if entry["id"] == id_))


@pytest.fixture(scope="module")
def mixed(pipeline: Pipeline) -> dict[str, Any]:
    return measured(pipeline, list(some(80, bad_every=10)))


def test_every_line_and_every_rule_is_accounted_for(pipeline: Pipeline, mixed: dict[str, Any]) -> None:
    counts = mixed["lines"]
    assert counts["read"] == counts["reviewed"] + counts["rejected"] + counts["not_evaluated"] == 76
    assert counts["rejected"] == 4
    rules = [m["id"] for m in mixed["measures"] if m["kind"] == "rule"]
    assert rules == sorted(rule.id for rule in pipeline.rulebook.rules)
    for measure in mixed["measures"]:
        aside = {name: count for name, count in measure["aside"].items() if name != "not_evaluated"}
        assert measure["denominator"] + sum(aside.values()) == counts["reviewed"]
        assert 0 <= measure["numerator"] <= measure["denominator"]


def test_counts_are_those_of_the_reviews(pipeline: Pipeline, mixed: dict[str, Any]) -> None:
    reviews = [
        json.loads(review_line(pipeline, body, 1, "default", Wanted(accounts=True)))
        for body in some(80, bad_every=10)
        if body.strip()
    ]
    outcomes = [{a["rule"]: a["outcome"] for a in r["review"]["accounts"]} for r in reviews if r["status"] == 200]
    for measure in mixed["measures"]:
        if measure["kind"] == "rule":
            said = [each[measure["id"]] for each in outcomes]
            assert measure["denominator"] == said.count("clear") + said.count("finding")
            assert measure["numerator"] == said.count(measure["counts"])
            assert (measure["counts"], measure["good"]) == ("finding", "fewer")


def test_a_published_item_is_met_by_all_of_its_rules_or_not(pipeline: Pipeline, mixed: dict[str, Any]) -> None:
    found = by_id(mixed, "AUD-11")
    answering = {
        rule.id for rule in pipeline.rulebook.rules if "AUD-11" in rule.answers and rule.category == "completeness"
    }
    assert set(found["rules"]) == answering
    assert found["source"]["key"] == pipeline.rulebook.facts["AUD-11"]["source"]
    assert found["source"]["confidence"]
    assert found["good"] == "more"
    assert found["numerator"] <= min(
        rule["aside"]["not_applicable"] + rule["denominator"] - rule["numerator"]
        for rule in (by_id(mixed, each) for each in answering)
    )


def test_a_rate_that_rests_on_few_records_is_greyed(pipeline: Pipeline) -> None:
    silent = encoded({"episode_ref": "a"})
    full = encoded(demo("exemplary"))
    for untold, greyed in ((1, False), (2, True)):
        found = by_id(measured(pipeline, [full] * 4 + [silent] * untold), "patient-injured")
        assert (found["numerator"], found["denominator"], found["aside"]["not_assessable"]) == (0, 4, untold)
        assert found["unassessed_share"] == round(untold / (4 + untold), 6)
        assert found["greyed"] is greyed


def test_nothing_is_called_safe(mixed: dict[str, Any]) -> None:
    assert "documentation_rate" in mixed["measures"][0]
    names = {name for measure in mixed["measures"] for name in measure}
    assert not any("safe" in name for name in names)
    assert any("no rate of safe care" in note for note in mixed["notes"])
    assert any("medical direction" in caution for caution in mixed["cautions"])


def test_the_same_records_in_any_parts_give_the_same_bytes(pipeline: Pipeline) -> None:
    given = [body for body in some(60, bad_every=9) if body.strip()]
    wanted = definitions.measures_of(pipeline.rulebook)
    versions = lines.versions(pipeline, "default")
    whole = orjson.dumps(measured(pipeline, given))
    for size, backwards in ((1, True), (7, False), (31, True)):
        parts = [given[at : at + size] for at in range(0, len(given), size)]
        tally = Tally(wanted)
        for part in parts[::-1] if backwards else parts:
            one = Tally(wanted)
            for body in part:
                measures.count(pipeline, one, wanted, body, 1, "default", "month")
            tally.merge(one)
        assert orjson.dumps(measures.document(tally, wanted, versions, measures.Look())) == whole


# ---------------------------------------------------------------- periods


@pytest.mark.parametrize(
    ("opened", "closed", "expected"),
    [
        ("2031-12-31T23:00:00-06:00", "2032-01-01T05:30:00Z", "2031-12"),
        ("2032-01-01T00:10:00+09:00", "2031-12-31T15:30:00Z", "2032-01"),
    ],
)
def test_periods_are_of_the_record_s_own_time(pipeline: Pipeline, opened: str, closed: str, expected: str) -> None:
    dated = encoded({"episode_ref": "a", "chart": {"opened": opened, "closed": closed}})
    found = measured(pipeline, [dated, encoded({"episode_ref": "a"})])
    assert [point["period"] for point in by_id(found, "RR-1001")["trend"]["points"]] == [expected]
    assert found["lines"]["undated"] == 1


def test_weeks_are_iso_weeks(pipeline: Pipeline) -> None:
    found = measured(pipeline, [encoded(shifted(demo("exemplary"), days)) for days in (0, 7, 14)], "week")
    periods = [point["period"] for point in by_id(found, "AUD-06")["trend"]["points"]]
    assert len(periods) == 3
    assert periods == sorted(periods)
    assert all(len(period) == 8 and period[4:6] == "-W" for period in periods)


def test_a_trend_marks_what_lies_beyond_its_limits(pipeline: Pipeline) -> None:
    good, poor = (
        demo("exemplary"),
        {"episode_ref": "a", "chart": {"closed": shifted(demo("exemplary"), 400)["chart"]["closed"]}},
    )
    given = [encoded(shifted(good, 40 * month)) for month in range(6) for _ in range(8)] + [encoded(poor)] * 8
    trend = by_id(measured(pipeline, given), "RR-1001")["trend"]
    assert trend["provisional"] is True
    assert [point["beyond"] for point in trend["points"]][-1] is True
    assert trend["points"][-1]["documentation_rate"] == 1.0
    assert round(trend["center"], 4) == round(8 / 56, 4)


def test_more_periods_than_can_be_are_not_shown(pipeline: Pipeline, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(counts, "MOST_PERIODS", 2)
    found = measured(pipeline, [encoded(shifted(demo("hold-only"), 40 * n)) for n in range(3)])
    assert found["too_many"] == {"periods": True, "groups": False}
    assert "trend" not in found["measures"][0]


def test_a_year_in_which_something_got_worse(pipeline: Pipeline) -> None:
    good = demo("exemplary")
    poor = {key: value for key, value in good.items() if key != "decision"}
    given = [encoded(shifted(poor if month > 5 else good, 30 * month)) for month in range(12) for _ in range(5)]
    look = measures.Look(marks=((date(2032, 1, 15), "a new form"),), baseline=date(2031, 8, 31))
    found = measured_lines(pipeline, given, look)
    lines_of = {line["measure"]: line for line in found["first"]["lines"]}
    named = {*lines_of, *(id_ for line in lines_of.values() for id_ in line["also"])}
    assert "RR-1001" in named
    assert all(line["change"] == "worse" for line in lines_of.values())
    line = next(iter(lines_of.values()))
    assert [part["of"].split(" to ")[0] for part in line["compared"]] == [
        found["measures"][0]["trend"]["points"][0]["period"],
        line["from"],
    ]
    assert found["marks"] == [{"day": "2032-01-15", "text": "a new form", "period": "2032-01"}]
    run = by_id(found, "RR-1001")["trend"]["run"]
    assert (run["median"], run["frozen"]) == (0.0, True)
    assert run["shift"]
    days = found["days"]
    assert days["first"] < days["last"]
    rows = list(csv.DictReader(io.StringIO(measures_table.to_csv(found).decode("utf-8-sig"), newline="")))
    assert {(row["first_day"], row["last_day"]) for row in rows} == {(days["first"], days["last"])}
    assert [row["id"] for row in rows if row["scope"] == "first"][::2] == [
        line["measure"] for line in found["first"]["lines"]
    ]
    item = next(row for row in rows if (row["scope"], row["id"]) == ("all", "AUD-02"))
    assert item["rules"].split() == by_id(found, "AUD-02")["rules"]


def test_harm_is_told_by_cases_and_the_days_between_them(pipeline: Pipeline) -> None:
    died = small(limbs=[limb()], handover=30, injuries={"death": {"died": True}})
    well = small(limbs=[limb()], handover=30, injuries={"death": {"died": False}})
    given = [encoded(shifted(died, day)) for day in (0, 0, 10, 25)] + [encoded(shifted(well, 40))]
    harm = measured(pipeline, given)["harm"]
    death = next(each for each in harm if each["measure"] == "death")
    assert (death["cases"], death["denominator"]) == (4, 5)
    assert death["between"]["days"] == [0, 10, 15]
    assert death["between"]["since"] == 15
    assert [each["measure"] for each in harm[:2]] != ["crew-injured", "others-injured"]
    counted = [
        each["cases"] for each in harm if each["measure"] in ("crew-injured", "patient-injured", "complications")
    ]
    assert counted == sorted(counted, reverse=True)


# ---------------------------------------------------------------- groups


def groups_of(pipeline: Pipeline, sizes: dict[str, int], id_: str = "AUD-02") -> dict[str, Any]:
    document = demo("hold-only")
    found = measured(pipeline, [line(document, name) for name, size in sizes.items() for _ in range(size)])
    return dict(by_id(found, id_)["funnel"])


def test_groups_stand_by_name_and_small_ones_are_not_shown(pipeline: Pipeline) -> None:
    found = groups_of(pipeline, {"west": 12, "east": 30, "a": 4, "b": 8})
    assert [group["group"] for group in found["groups"]] == ["east", "west"]
    assert found["suppressed"] == {"groups": 2, "records": 12}
    assert set(found["groups"][0]["limits"]) == {"95", "99.8"}


@pytest.mark.parametrize(
    ("sizes", "shown"),
    [
        # One small group alone could be worked out from the sum, so the next smallest goes with it.
        ({"a": 3, "b": 12, "c": 20}, ["c"]),
        # Two small ones whose sum is still small take a third along.
        ({"a": 1, "b": 2, "c": 12, "d": 20}, ["d"]),
        ({"a": 10, "b": 10, "c": 11}, ["c"]),
        ({"a": 11, "b": 12}, ["a", "b"]),
        ({"a": 3}, []),
    ],
)
def test_no_small_group_can_be_worked_out(pipeline: Pipeline, sizes: dict[str, int], shown: list[str]) -> None:
    found = groups_of(pipeline, sizes)
    assert [group["group"] for group in found["groups"]] == shown


@pytest.mark.parametrize(
    ("extensions", "counted"),
    [
        ({}, "without_group"),
        ({"group": "=cmd|x"}, "unreadable_group"),
        ({"group": 5}, "unreadable_group"),
        ({"group": "x" * 65}, "unreadable_group"),
    ],
)
def test_a_group_is_a_plain_name(pipeline: Pipeline, extensions: dict[str, Any], counted: str) -> None:
    body = encoded({**demo("hold-only"), "extensions": extensions})
    found = measured(pipeline, [body])
    assert found["lines"][counted] == 1
    assert "cmd" not in json.dumps(found)


def test_a_group_for_every_record_is_no_group(pipeline: Pipeline, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(counts, "MOST_GROUPS", 3)
    found = measured(pipeline, [line({"episode_ref": "a"}, f"g{n}") for n in range(4)])
    assert found["too_many"]["groups"] is True
    assert "funnel" not in found["measures"][0]


# ---------------------------------------------------------------- times


def time_of(pipeline: Pipeline, document: dict[str, Any], id_: str) -> tuple[float | None, dict[str, int]]:
    found = by_id(measured(pipeline, [encoded(document)]), id_)
    return found["median"], {
        name: found[name] for name in ("without_entry", "not_assessable", "not_applicable") if found[name]
    }


def test_first_limb_check_is_that_of_the_slowest_limb(pipeline: Pipeline) -> None:
    limbs = [limb(), limb("right", on=1)]
    checks = [check(2), check(9, "right"), check(20), check(21, "right")]
    document = small(limbs=limbs, handover=30, monitoring={"limb_checks": checks})
    assert time_of(pipeline, document, "first-limb-check") == (480, {})
    assert time_of(pipeline, document, "limb-check-gap") == (1080, {})
    document["monitoring"]["limb_checks"] = [check(2), check(20)]
    assert time_of(pipeline, document, "first-limb-check") == (None, {"without_entry": 1})
    document["not_collected"] = ["/monitoring/limb_checks"]
    del document["monitoring"]["limb_checks"]
    assert time_of(pipeline, document, "first-limb-check") == (None, {"not_assessable": 1})
    del document["not_collected"]
    assert time_of(pipeline, document, "first-limb-check") == (None, {"without_entry": 1})
    assert time_of(pipeline, demo("hold-only"), "first-limb-check") == (None, {"not_applicable": 1})


def test_time_to_capnography_after_sedation(pipeline: Pipeline) -> None:
    document = small(
        limbs=[limb()],
        handover=40,
        sedation={"doses": [dose(10)]},
        monitoring={"vitals": [vital(5, etco2_mmhg=36), vital(18, etco2_mmhg=38)]},
    )
    assert time_of(pipeline, document, "capnography-after-sedation") == (480, {})
    document["monitoring"]["vitals"] = [vital(5, etco2_mmhg=36), vital(18, hr=90)]
    assert time_of(pipeline, document, "capnography-after-sedation") == (None, {"without_entry": 1})
    document["sedation"] = {"none": True}
    assert time_of(pipeline, document, "capnography-after-sedation") == (None, {"not_applicable": 1})
    del document["sedation"]
    assert time_of(pipeline, document, "capnography-after-sedation") == (None, {"not_assessable": 1})


def posture(name: str, start: float, end: float | None = None, **more: Any) -> dict[str, Any]:
    return {"posture": name, "start": clock(start), **({} if end is None else {"end": clock(end)}), **more}


@pytest.mark.parametrize(
    ("postures", "expected"),
    [
        ([posture("prone", 0, 4), posture("supine", 4), posture("prone", 10, 12)], (360, {})),
        # Found so at -15, contact at -10: this unit's part counts.
        ([posture("prone", -15, -7, care="found_at_contact"), posture("supine", -7)], (180, {})),
        ([posture("prone", 0)], (None, {"not_assessable": 1})),
        ([posture("supine", 0)], (None, {"not_applicable": 1})),
        (None, (None, {"not_assessable": 1})),
    ],
)
def test_time_prone(pipeline: Pipeline, postures: Any, expected: Any) -> None:
    document = small(limbs=[limb()], handover=40, **({} if postures is None else {"postures": postures}))
    assert time_of(pipeline, document, "prone") == expected


def test_longest_gap_of_vital_signs(pipeline: Pipeline) -> None:
    document = small(
        limbs=[limb()],
        handover=30,
        monitoring={"vitals": [vital(at, hr=90, rr=16, spo2=97, sbp=120) for at in (0, 17, 28)]},
    )
    assert time_of(pipeline, document, "vital-signs-gap")[0] == 1020
    del document["monitoring"]
    assert time_of(pipeline, document, "vital-signs-gap") == (None, {"without_entry": 1})


# ---------------------------------------------------------------- performance measures


def outcome(pipeline: Pipeline, document: dict[str, Any], id_: str) -> str:
    found = by_id(measured(pipeline, [encoded(document)]), id_)
    if found["denominator"]:
        return "counted" if found["numerator"] else "not counted"
    return next(name for name, number in found["aside"].items() if number)


@pytest.mark.parametrize(
    ("sections", "id_", "expected"),
    [
        ({"injuries": {"patient": [{"when": "during_restraint"}]}}, "patient-injured", "counted"),
        ({"injuries": {"patient": [{"when": "before_contact"}]}}, "patient-injured", "not counted"),
        ({"injuries": {"patient": [{"when": "unknown"}]}}, "patient-injured", "not_assessable"),
        ({"injuries": {"patient": [{"kind": "bruise"}]}}, "patient-injured", "not_assessable"),
        ({"injuries": {"patient": []}}, "patient-injured", "not counted"),
        ({"injuries": {"crew": [{"when": "transport"}]}}, "crew-injured", "counted"),
        ({"injuries": {"crew": [{"when": "transport"}]}}, "injured-on-the-way", "counted"),
        ({"injuries": {"crew": []}}, "injured-on-the-way", "not_assessable"),
        ({"injuries": {"none": True}, "transport": {"transported": False}}, "injured-on-the-way", "not_applicable"),
        ({"injuries": {"none": True}}, "complications", "not counted"),
        ({"injuries": {"complications": [{"complication": "hypoxia"}]}}, "complications", "counted"),
        ({"injuries": {"death": {"died": True}}}, "death", "counted"),
        ({}, "death", "not_assessable"),
        ({}, "police-charted", "not counted"),
        ({"not_collected": ["/custody/law_enforcement_present"], "custody": {}}, "police-charted", "not_assessable"),
        ({"custody": {"law_enforcement_present": False}}, "police-charted", "counted"),
        ({"custody": {"law_enforcement_present": False}}, "police-early", "not_applicable"),
        ({"custody": {"law_enforcement_present": True, "arrived": clock(-5)}}, "police-early", "counted"),
        ({"custody": {"law_enforcement_present": True, "arrived": clock(5)}}, "police-early", "not counted"),
        ({"custody": {"law_enforcement_present": True}}, "police-early", "not_assessable"),
    ],
)
def test_performance_measures(pipeline: Pipeline, sections: dict[str, Any], id_: str, expected: str) -> None:
    assert outcome(pipeline, small(limbs=[limb()], handover=30, **sections), id_) == expected


# ---------------------------------------------------------------- elsewhere


def test_a_rule_that_is_off_stands_beside(pipeline: Pipeline) -> None:
    review = pipeline.review(encoded(demo("exemplary")), "application/json", "default")
    some_rule = definitions.measures_of(pipeline.rulebook)[0]
    assert next(definitions.outcomes((some_rule,), review)) != definitions.OFF
    without = type(review)(review.document, {}, (), {}, review.intake, review.sheet)
    assert next(definitions.outcomes((some_rule,), without)) == definitions.OFF


def test_not_evaluated_lines_count_as_unassessed(pipeline: Pipeline) -> None:
    wanted = definitions.measures_of(pipeline.rulebook)
    tally = Tally(wanted)
    measures.count(pipeline, tally, wanted, encoded(demo("exemplary")), 1, "default", "month")
    tally.add(lines.refused(2, "not-evaluated"), None, wanted, "month")
    found = measures.document(tally, wanted, {}, measures.Look())
    assert found["lines"]["not_evaluated"] == 1
    told = next(m for m in found["measures"] if m["denominator"] == 1)
    assert (told["aside"]["not_evaluated"], told["unassessed_share"], told["greyed"]) == (1, 0.5, True)


def test_as_rows(mixed: dict[str, Any]) -> None:
    rows = list(csv.DictReader(io.StringIO(measures_table.to_csv(mixed).decode("utf-8-sig"), newline="")))
    for measure in mixed["measures"]:
        (row,) = [row for row in rows if row["scope"] == "all" and row["id"] == measure["id"]]
        assert [int(row[name]) for name in ("numerator", "denominator")] == [
            measure["numerator"],
            measure["denominator"],
        ]
    points = sum(len(m["trend"]["points"]) for m in mixed["measures"])
    groups = sum(2 * len(m["funnel"]["groups"]) for m in mixed["measures"])
    assert [sum(row["scope"] == scope for row in rows) for scope in ("period", "group", "time")] == [
        points,
        groups,
        len(mixed["times"]),
    ]
    assert groups


def test_nothing_and_nobody(pipeline: Pipeline) -> None:
    found = measured(pipeline, [b"", BAD])
    assert found["lines"] == {
        "read": 1,
        "reviewed": 0,
        "rejected": 1,
        "not_evaluated": 0,
        "undated": 0,
        "without_group": 0,
        "unreadable_group": 0,
    }
    assert found["measures"][0]["documentation_rate"] is None


def test_nothing_of_a_record_but_its_group_is_in_the_document(pipeline: Pipeline) -> None:
    document = demo("night-two-crew-late-sedation") | {"episode_ref": "canary-1", "narrative": "canary"}
    assert "canary" not in json.dumps(measured(pipeline, [line(document, "east")]))
