"""What the record cannot tell stays on the screen: a danger whose answer nobody can see, and a duty with no list."""

from __future__ import annotations

import pytest

from tests.review.test_covering import answer as under
from tests.review.test_covering import yielding
from tests.support.episodes import Document, exemplary
from tests.support.pipeline import pipeline
from tests.support.reviews import review

LOW_SPO2 = "RR-1360"


def answer(document: Document) -> Document:
    return review(pipeline(), document)


def low(spo2: float = 78) -> Document:
    """The sixth set, at 18:32, holds a low SpO2."""
    document = exemplary()
    document["monitoring"]["vitals"][5]["spo2"] = spo2
    return document


def not_collected(document: Document, section: str, name: str) -> Document:
    document[section].pop(name, None)
    return document | {"not_collected": [f"/{section}/{name}"]}


def several_open() -> Document:
    """Low saturation, low pressure and a temperature that is too high, from a sender with no place for actions."""
    document = low()
    document["monitoring"]["vitals"][6]["sbp"] = 82
    document["monitoring"]["vitals"][7]["temperature_c"] = 39.4
    return not_collected(document, "monitoring", "actions")


def test_a_danger_whose_answers_are_not_collected_is_told_at_once() -> None:
    after = answer(not_collected(low(), "monitoring", "actions"))
    entry = after["unjudged"][0]
    assert (entry["rule"]["id"], entry["outcome"], entry["severity"]) == (LOW_SPO2, "not_assessable", "critical")
    assert entry["because"] == [{"path": "/monitoring/actions", "state": "not_collected"}]
    (instance,) = entry["instances"]
    assert [place["pointer"] for place in instance["pointers"]] == ["/monitoring/vitals/5/spo2"]
    assert [place["item"] for place in instance["pointers"]] == ["v6"]
    assert instance["span"]["from"][11:16] == "18:32"
    (line,) = after["tell_now"]
    assert (line["rule"], line["finding"], line["severity"]) == (LOW_SPO2, None, "critical")
    for text in (line["text"], entry["message"], entry["tell_now"], instance["message"]):
        assert "78 %" in text
        assert "18:32" in text
    assert line["pointers"] == instance["pointers"]
    assert line["span"] == instance["span"]
    assert not [finding for finding in after["findings"] if finding["concern"] == "breathing"]
    assert after["summary"]["unjudged"] == len(after["unjudged"])


@pytest.mark.parametrize("before_care", [False, None])
@pytest.mark.parametrize("time", ["2031-04-12T18:32:00-05:00", "2031-04-11T18:32:00-06:00"])
def test_a_slip_in_the_time_of_a_reading_takes_no_danger_away(time: str, before_care: bool | None) -> None:
    """An hour by its offset, a day: the reading lies before contact, and nothing says that it is somebody else's."""
    document = low()
    vital = document["monitoring"]["vitals"][5]
    vital["time"] = time
    if before_care is None:
        del vital["before_care"]
    after = answer(document)
    assert LOW_SPO2 in [line["rule"] for line in after["tell_now"]]
    (entry,) = [one for one in after["unjudged"] if one["rule"]["id"] == LOW_SPO2]
    assert [cause["state"] for cause in entry["because"]] == ["contradicted"]


def test_a_reading_from_before_this_care_is_told_as_that_and_not_here() -> None:
    document = low()
    document["monitoring"]["vitals"][5] |= {"time": "2031-04-12T17:32:00-06:00", "before_care": True}
    assert not answer(document)["unjudged"]


def test_the_same_danger_is_a_finding_where_the_list_could_have_held_the_answer() -> None:
    document = low()
    del document["monitoring"]["actions"]
    after = answer(document)
    assert [line["finding"] for line in after["tell_now"]] == [LOW_SPO2]
    assert after["unjudged"] == []


def test_no_danger_leaves_nothing_unjudged() -> None:
    after = answer(not_collected(exemplary(), "monitoring", "actions"))
    assert after["tell_now"] == after["unjudged"] == []


def test_two_dangers_of_one_cause_are_one_entry_with_two_places() -> None:
    document = low()
    document["monitoring"]["vitals"][2]["spo2"] = 80
    after = answer(not_collected(document, "monitoring", "actions"))
    (entry,) = [one for one in after["unjudged"] if one["rule"]["id"] == LOW_SPO2]
    assert [one["span"]["from"][11:16] for one in entry["instances"]] == ["18:32", "18:20"], "the worst first"
    (line,) = [one for one in after["tell_now"] if one["rule"] == LOW_SPO2]
    assert line["text"].startswith("Low oxygen saturation, 78 %, at 18:32.")
    assert line["text"].endswith(" And 1 more: 18:20.")


def test_a_critical_duty_without_its_list_stands_here_alone() -> None:
    """No danger is charted, so there is nothing to tell at once: but nobody may take it for done."""
    after = answer(not_collected(exemplary(), "monitoring", "limb_checks"))
    (entry,) = after["unjudged"]
    assert (entry["rule"]["id"], entry["severity"], entry["instances"]) == ("RR-1303", "critical", [])
    assert entry["because"] == [{"path": "/monitoring/limb_checks", "state": "not_collected"}]
    assert "tell_now" not in entry
    assert after["tell_now"] == []


def test_the_duty_is_a_finding_where_the_list_is_only_left_out() -> None:
    document = exemplary()
    del document["monitoring"]["limb_checks"]
    after = answer(document)
    assert "RR-1303" in {finding["key"] for finding in after["findings"]}
    assert after["unjudged"] == []


def test_where_only_the_age_is_unknown_the_gravest_band_speaks_once() -> None:
    """Eleven breaths are slow for a child and not for an adult; three bands of age ask for it."""
    document = exemplary()
    document["monitoring"]["vitals"][5]["rr"] = 11
    assert answer(document)["unjudged"] == []
    del document["patient"]["age"]
    after = answer(document)
    (entry,) = after["unjudged"]
    assert entry["severity"] == "critical"
    assert entry["because"] == [{"path": "/patient/age", "state": "missing"}]
    assert len(entry["instances"]) == 1
    assert [line["rule"] for line in after["tell_now"]] == [entry["rule"]["id"]]


def test_the_most_urgent_comes_first_and_only_critical_dangers_are_told_at_once() -> None:
    after = answer(several_open())
    order = ("critical", "warning", "info")
    severities = [entry["severity"] for entry in after["unjudged"]]
    assert severities == sorted(severities, key=order.index)
    assert {"critical", "warning"} <= set(severities)
    told = [
        entry["rule"]["id"] for entry in after["unjudged"] if entry["severity"] == "critical" and entry["instances"]
    ]
    assert [line["rule"] for line in after["tell_now"]] == told
    assert all(("tell_now" in entry) == (entry["rule"]["id"] in told) for entry in after["unjudged"])


def test_a_profile_s_severity_holds_here_too() -> None:
    """What a profile lowers to a warning is not told at once."""
    pipe = yielding({}, severities={"RR-1382": "warning"})
    assert "RR-1382" in {line["rule"] for line in answer(several_open())["tell_now"]}
    after = under(pipe, several_open())
    assert {e["severity"] for e in after["unjudged"] if e["rule"]["id"] == "RR-1382"} == {"warning"}
    assert "RR-1382" not in {line["rule"] for line in after["tell_now"]}
