"""``tell_now`` is one list that a host can show and lose nothing, however much there is."""

from __future__ import annotations

import pytest

from service.review.findings import MOST_INSTANCES
from tests.review.test_covering import answer as under
from tests.review.test_covering import yielding
from tests.support.episodes import Document, act, clock, exemplary, small, vital
from tests.support.pipeline import pipeline
from tests.support.reviews import review

LOW_SPO2 = "RR-1360"
#: Critical by default, and a profile may lower it.
HANDS_BEHIND = "RR-1107"


def answer(document: Document) -> Document:
    return review(pipeline(), document)


def lows(count: int) -> Document:
    """So many falls of SpO2, with a good reading between them, and no answer to any; the last one is the worst."""
    vitals = []
    for number in range(count):
        spo2 = 70 if number == count - 1 else 80
        vitals += [
            vital(0.5 * number, id=f"low{number}", spo2=spo2),
            vital(0.5 * number + 0.25, id=f"ok{number}", spo2=98),
        ]
    return small(contact=-10, handover=count + 30, monitoring={"vitals": vitals, "actions": []})


@pytest.mark.parametrize(("count", "more"), [(199, None), (200, None), (201, 1), (230, 30)])
def test_what_is_beyond_the_longest_list_is_counted_and_told(count: int, more: int | None) -> None:
    after = answer(lows(count))
    (finding,) = [f for f in after["findings"] if f["key"] == LOW_SPO2]
    assert len(finding["instances"]) == min(count, MOST_INSTANCES) == count - (more or 0)
    assert finding.get("more") == more
    cut = [n for n in after["notices"] if n["code"] == "instances-left-out" and LOW_SPO2 in n["text"]]
    assert len(cut) == (more is not None)
    (line,) = [line for line in after["tell_now"] if line["rule"] == LOW_SPO2]
    assert f"And {count - 1} more" in line["text"]
    assert "70 %" in line["text"], "the worst value, which came last"
    assert finding["instances"][0]["message"].startswith("SpO2 70 %")
    assert "70 %" in finding["tell_now"]
    assert after["summary"]["findings"] == len(after["findings"])


def test_few_more_are_told_with_their_times() -> None:
    document = exemplary()
    for number, value in ((2, 80), (5, 70), (7, 75)):
        document["monitoring"]["vitals"][number]["spo2"] = value
    del document["monitoring"]["actions"]
    (line,) = answer(document)["tell_now"]
    assert "70 % at 18:32" in line["text"]
    assert line["text"].endswith("And 2 more: 18:20, 18:40.")
    assert line["pointers"][0]["pointer"] == "/monitoring/vitals/5/spo2"


def test_a_critical_finding_with_no_time_is_told_too() -> None:
    after = answer({"episode_ref": "no-times", "application": {"body_weight": [{"place": "neck", "by": "ems"}]}})
    assert after["tell_now"], "weight on the neck"
    assert [line["finding"] for line in after["tell_now"]] == [
        f["key"] for f in after["findings"] if f["severity"] == "critical"
    ]
    assert None in [line["span"] for line in after["tell_now"]]


def test_a_lowered_critical_rule_keeps_its_text_where_its_finding_stands() -> None:
    document = exemplary()
    document["postures"][1]["arms_behind_back"] = True
    before = answer(document)
    (finding,) = [f for f in before["findings"] if f["key"] == HANDS_BEHIND]
    assert [line["finding"] for line in before["tell_now"]] == [HANDS_BEHIND]
    after = under(yielding({}, severities={HANDS_BEHIND: "warning"}), document)
    (lowered,) = [f for f in after["findings"] if f["key"] == HANDS_BEHIND]
    assert lowered["severity"] == "warning"
    assert lowered["tell_now"] == finding["tell_now"]
    assert after["tell_now"] == []


def test_nobody_is_sent_to_look_at_a_patient_who_has_died() -> None:
    """Also where what followed a danger cannot be told."""
    document = exemplary()
    document["monitoring"]["vitals"][5]["spo2"] = 70
    document["injuries"] = {"death": {"died": True, "time": document["handover"]["time"]}}
    for actions in ([], {"absent": "not_collected"}):
        document["monitoring"]["actions"] = actions
        after = answer(document)
        assert after["patient"]["state"] == "died"
        assert "70 %" in " ".join(line["text"] for line in after["tell_now"])
        told = [line["text"] for line in after["tell_now"]]
        told += [entry["tell_now"] for entry in (*after["findings"], *after["unjudged"]) if "tell_now" in entry]
        assert not [text for text in told if "Check" in text or "tell the" in text.lower()]


@pytest.mark.parametrize(
    ("reading", "said"), [({"glucose_reading": "low"}, "Low on the meter"), ({"glucose_mg_dl": 44}, "44 mg/dL")]
)
def test_a_meter_that_shows_low_is_not_told_as_a_number(reading: Document, said: str) -> None:
    document = exemplary()
    vitals = document["monitoring"]["vitals"][4]
    vitals.pop("glucose_mg_dl", None)
    vitals |= reading
    after = answer(document)
    (line,) = [line["text"] for line in after["tell_now"] if line["rule"] == "RR-1388"]
    assert f"Blood glucose {said} at" in line
    messages = [finding["message"] for finding in after["findings"] if "lucose" in finding["message"]]
    assert all(said in message for message in messages)
    assert "0 mg/dL" not in "".join(messages)


def test_the_last_value_is_told_with_its_own_time() -> None:
    """Of a fall that goes on, whoever takes over needs the value that stands at the end, not the time it began."""
    sets = [vital(10, spo2=97), vital(40, spo2=80), vital(44, spo2=84)]
    helped = [act(40, "oxygen_given"), act(44, "ventilated")]
    told = answer(small(handover=46, monitoring={"vitals": sets, "actions": helped}))["tell_now"]
    (line,) = [line for line in told if line["rule"] == "RR-1590"]
    assert "SpO2 84 % at 18:44" in line["text"]
    assert line["span"]["from"] == clock(44)
