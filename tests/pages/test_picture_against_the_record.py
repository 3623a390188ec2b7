"""Random records, drawn; every mark is read back from the SVG and held against the record: lane, time and value.

The record is read here as the JSON that was sent. The scale of time is taken from the axis, the scale of values from
where the readings and limit lines stand: they must lie on one line.
"""

from __future__ import annotations

import random
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import pytest

from service.review.build import Review
from tests.support.episodes import ZERO, Document, act, check, clock, dose, limb, many_dangers, vital
from tests.support.pages import Element, demo_review, shown
from tests.support.pipeline import demo, demo_names, pipeline
from tests.support.reviews import instances

LETTER = 6.9
TITLES = {"etco2_mmhg": "EtCO2", "spo2": "SpO2", "rr": "Breathing rate", "hr": "Heart rate", "sbp": "Blood pressure"}
SCORES = {
    "gcs_total": "GCS",
    "glucose_mg_dl": "Glucose",
    "temperature_c": "Temperature",
    "qtc_ms": "QTc",
    "acvpu": "Responsiveness",
}
RANGES: dict[str, tuple[int, int]] = {
    "spo2": (60, 100), "rr": (3, 40), "hr": (30, 180), "sbp": (60, 200), "etco2_mmhg": (15, 80), "gcs_total": (3, 15),
    "glucose_mg_dl": (40, 300), "temperature_c": (34, 41), "qtc_ms": (380, 520),
}  # fmt: skip
SIDES = {
    "right_arm": ("right", "wrist"),
    "left_arm": ("left", "wrist"),
    "right_leg": ("right", "ankle"),
    "left_leg": ("left", "ankle"),
}


def random_record(seed: int) -> Document:
    """A record with a little or much of everything, at minutes -5 to 90."""
    draw = random.Random(seed)
    minutes = draw.sample(range(90), draw.randint(0, 14))
    sets = []
    for n, minute in enumerate(sorted(minutes)):
        signs: dict[str, Any] = {m: draw.randint(*RANGES[m]) for m in RANGES if draw.random() < draw.choice((0.2, 0.9))}
        if "sbp" in signs and draw.random() < 0.8:
            signs["dbp"] = signs["sbp"] - draw.randint(15, 40)
        if draw.random() < 0.3:
            signs["acvpu"] = draw.choice(("alert", "voice", "pain"))
        if draw.random() < 0.1:
            signs["etco2_waveform"] = "lost"
        sets.append(vital(minute, id=f"v{n}", **signs))
    limbs, checks = [], []
    for name in draw.sample(sorted(SIDES), draw.randint(0, 4)):
        on = draw.randint(0, 40)
        off = draw.randint(on + 1, 92)
        limbs.append(limb(*SIDES[name], on=on, off=off, id=f"l-{name}"))
        for minute in draw.sample(range(on, off + 1), min(off - on, draw.randint(0, 5))):
            checks.append(check(minute, *SIDES[name], id=f"c-{name}-{minute}"))
    postures = []
    for n in range(draw.randint(0, 4)):
        start = draw.randint(0, 80)
        care = draw.choice(("this_unit", "found_at_contact"))
        postures.append({"id": f"p{n}", "posture": draw.choice(("supine", "prone", "semi_fowler", "hobbled", "sandwiched")),
                         "care": care, "start": clock(start), "end": clock(start + draw.randint(1, 15))})  # fmt: skip
    doses = [dose(draw.randint(0, 90), amount=draw.randint(1, 10), id=f"d{n}") for n in range(draw.randint(0, 5))]
    events = [{"id": f"e{n}", "event": draw.choice(("vomiting", "seizure", "suddenly_quiet")), "time": clock(draw.randint(0, 90))} for n in range(draw.randint(0, 4))]  # fmt: skip
    actions = [
        act(draw.randint(0, 90), draw.choice(("suction", "oxygen_given")), id=f"a{n}")
        for n in range(draw.randint(0, 4))
    ]
    spans = {}
    for name in ("capnography", "oximetry", "ecg", "observation"):
        if draw.random() < 0.5:
            start = draw.randint(0, 60)
            spans[name] = [{"id": f"{name}-1", "start": clock(start), "end": clock(start + draw.randint(1, 30))}]
    document: Document = {
        "episode_ref": f"random-{seed}",
        "patient": {"age": {"value": draw.choice((34, 71)), "unit": "a"}},
        "application": {"limbs": limbs},
        "postures": postures,
        "sedation": {"doses": doses},
        "monitoring": {"vitals": sets, "limb_checks": checks, "events": events, "actions": actions, **spans},
        "transport": {
            "at_patient": clock(-5),
            "departed": clock(draw.randint(20, 40)),
            "arrived": clock(draw.randint(50, 80)),
        },
        "handover": {"time": clock(95)},
    }
    if draw.random() < 0.3:
        document["injuries"] = {"death": {"died": True, "time": clock(draw.randint(60, 94))}}
    if draw.random() < 0.5:
        document["custody"] = {"devices": [{"id": "k1", "device": "handcuffs", "site": "wrists_behind_back", "on": clock(-4), "off": clock(draw.randint(0, 30))}]}  # fmt: skip
    return document


# ------------------------------------------------------------ reading the SVG


def numbers(text: str) -> list[float]:
    return [float(each) for each in re.findall(r"-?\d+\.?\d*", text)]


@dataclass
class Drawn:
    """One drawing: its lanes, and the time that belongs to an x."""

    lanes: dict[str, Element]
    words: str
    ticks: list[tuple[float, int]]
    width: float
    death: float | None
    every: list[Element] = field(default_factory=list)

    def x(self, seconds: float) -> float:
        (x0, t0), (x1, t1) = self.ticks[0], self.ticks[-1]
        return x0 + (seconds - t0) / (t1 - t0) * (x1 - x0)

    def at(self, x: float, seconds: float) -> bool:
        return abs(self.x(seconds) - x) < 0.12


def drawings(root: Element) -> Iterator[Drawn]:
    for picture in root.by_class("picture"):
        if not picture.classes & {"w", "n"}:
            continue
        axis = picture.by_class("axis")[0]
        (grid, *death) = axis.by_tag("path")
        xs = numbers(grid.attributes["d"])[0::3]
        texts = [e.text() for g in axis.by_class("soft") for e in g.by_tag("text")]
        times = []
        for text in texts:
            hours, minutes = map(int, text.split(":"))
            times.append(ZERO + (hours - 18) * 3600 + minutes * 60)
        lanes = picture.by_class("lanes")[0].by_tag("svg")
        named = {svg.attributes["data-lane"]: svg for svg in lanes if "data-lane" in svg.attributes}
        rest = " ".join(e.text() for svg in lanes if "data-lane" not in svg.attributes for e in svg.by_tag("text"))
        width = float(axis.by_tag("svg")[0].attributes["viewbox"].split()[2])
        yield Drawn(named, rest, list(zip(xs, times, strict=True)), width,
                    numbers(death[0].attributes["d"])[0] if death else None, lanes)  # fmt: skip


def dots(lane: Element) -> list[tuple[float, float]]:
    """(x, y) of everything charted at a moment, whatever its shape."""
    out = []
    for path in lane.by_class("dots"):
        found = numbers(path.attributes["d"])
        out += list(zip(found[0::3], found[1::3], strict=True))
    for shape in lane.by_class("dot"):
        if shape.tag == "circle":
            out.append((float(shape.attributes["cx"]), float(shape.attributes["cy"])))
        else:
            x, y = numbers(shape.attributes["d"])[:2]
            out.append((x, y + (5.5 if "critical" in shape.classes else 5)))
    return sorted(out)


def texts(lane: Element, kind: str) -> list[tuple[float, float, str]]:
    """(middle or start, y, words) of the texts of a kind."""
    return [
        (float(e.attributes["x"]), float(e.attributes["y"]), e.text())
        for group in lane.by_class(kind)
        if group.tag == "g"
        for e in group.by_tag("text")
    ]


def boxes(svg: Element) -> Iterator[tuple[float, float, float, float, str]]:
    """(left, top, right, bottom, words) of every text: at most as wide as its letters are."""
    for group in svg.by_tag("g"):
        if "t" not in group.classes:
            continue
        for e in group.by_tag("text"):
            x, y, wide = float(e.attributes["x"]), float(e.attributes["y"]), len(e.text()) * LETTER
            left = x - wide / 2 if "middle" in group.classes else x - wide if "end" in group.classes else x
            yield left, y - 9, left + wide, y + 1, e.text()


def bars(lane: Element, kind: str) -> list[tuple[float, float, float]]:
    """(from, to, middle y) of the boxes of a kind."""
    out = []
    for box in lane.by_tag("rect"):
        if kind in box.classes:
            x, y, w, h = (float(box.attributes[name]) for name in ("x", "y", "width", "height"))
            out.append((x, x + w, y + h / 2))
    return sorted(out)


def seconds(text: str) -> int:
    return int(datetime.fromisoformat(text).timestamp())


def short(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".")


# ------------------------------------------------------------ what is held


def hold_readings(drawn: Drawn, document: Document) -> None:
    sets = document.get("monitoring", {}).get("vitals", [])
    for member, title in TITLES.items():
        charted = [(seconds(v["time"]), float(v[member])) for v in sets if member in v]
        if member not in drawn.lanes:
            assert not charted
            assert title.lower() in drawn.words.lower()
            continue
        lane = drawn.lanes[member]
        if not charted:
            continue
        found = dots(lane)
        assert len(found) == len(charted)
        pairs = []
        for (x, y), (time, value) in zip(found, sorted(charted), strict=True):
            assert drawn.at(x, time), (member, time)
            pairs.append((value, y))
        edges = [numbers(e.attributes["d"])[1] for e in lane.by_class("limit")]
        said = sorted(
            (y, float(re.sub(r"[^0-9.]", "", text))) for _, y, text in texts(lane, "small") if text[0] in "<>≤≥"
        )
        # Numbers of limits stand beside their lines in the same order, and lie on the same scale as the readings.
        pairs += [(value, edge) for (_, value), edge in zip(said, sorted(edges), strict=True)]
        low, high = min(pairs), max(pairs)
        for value, y in pairs:
            if high[0] > low[0]:
                wanted = low[1] + (value - low[0]) / (high[0] - low[0]) * (high[1] - low[1])
                assert abs(wanted - y) < 0.15, (member, value, y, wanted)
        assert high[0] == low[0] or high[1] < low[1]
        told = {time: v for v in sets if member in v for time in [seconds(v["time"])]}
        for middle, y, text in texts(lane, "value"):
            feet = [(x, foot) for e in lane.by_class("bp") for x, _, foot in [numbers(e.attributes["d"])[:3]]]
            near = min((*found, *feet), key=lambda dot: abs(dot[0] - middle) + abs(dot[1] - (y - 4)))
            time = next(t for t in told if drawn.at(near[0], t))
            low_value = f"/{told[time]['dbp']}" if member == "sbp" and "dbp" in told[time] else ""
            assert text == f"{short(told[time][member])}{low_value}"
        if member == "sbp":
            feet = [numbers(e.attributes["d"])[:3] for e in lane.by_class("bp")]
            both = [(seconds(v["time"]), v["sbp"], v["dbp"]) for v in sets if "sbp" in v and "dbp" in v]
            assert len(feet) == len(both)
            for (x, top, foot), (time, _, _) in zip(sorted(feet), sorted(both), strict=True):
                assert drawn.at(x, time)
                assert top < foot
        lost = [seconds(v["time"]) for v in sets if v.get("etco2_waveform") == "lost"] if member == "etco2_mmhg" else []
        crosses = [numbers(e.attributes["d"])[0] + 4 for e in lane.by_class("lost")]
        assert len(crosses) == len(lost)
        assert all(drawn.at(x, t) for x, t in zip(sorted(crosses), sorted(lost), strict=True))


def hold_scores(drawn: Drawn, document: Document) -> None:
    sets = document.get("monitoring", {}).get("vitals", [])
    for member, title in SCORES.items():
        charted = sorted((seconds(v["time"]), v[member]) for v in sets if member in v)
        said = [(t, v if isinstance(v, str) else short(v)) for t, v in charted]
        if member not in drawn.lanes:
            assert title.lower() in drawn.words.lower()
            assert len({text for _, text in said}) <= 1
            if said:
                assert re.search(rf"{title} {re.escape(said[0][1])}[^:]*: {len(said)} reading", drawn.words)
            continue
        lane = drawn.lanes[member]
        assert [x for x, _ in dots(lane)] == pytest.approx([drawn.x(t) for t, _ in said], abs=0.12)
        shown_texts = sorted((x, text) for x, _, text in texts(lane, "middle"))
        last, wanted = "", []
        for time, text in said:
            near = [s for s in shown_texts if s[1] == text and abs(s[0] - drawn.x(time)) <= len(text) * LETTER / 2 + 1]
            if text != last:
                assert near, (member, text)
            wanted += near[:1]
            last = text
        assert {text for _, text in shown_texts} == {text for _, text in wanted}


def hold_limbs(drawn: Drawn, document: Document) -> None:
    checks = document["monitoring"]["limb_checks"]
    for name, (side, site) in SIDES.items():
        own = [
            (seconds(x["on"]), seconds(x["off"]))
            for x in document["application"]["limbs"]
            if (x["side"], x["site"]) == (side, site)
        ]
        done = sorted(seconds(c["time"]) for c in checks if (c["side"], c["site"]) == (side, site))
        if name not in drawn.lanes:
            assert not own
            assert not done
            continue
        lane = drawn.lanes[name]
        straps = bars(lane, "own")
        assert len(straps) == len(own)
        for (left, right, _), (on, off) in zip(straps, own, strict=True):
            assert drawn.at(left, on)
            assert drawn.at(right, off)
        assert [x for x, _ in dots(lane)] == pytest.approx([drawn.x(t) for t in done], abs=0.12)
        for left, right, y in bars(lane, "gap"):
            # The strap is seen: what is missing has a row of its own under it, and no check lies in it.
            assert all(y > middle for _, _, middle in straps)
            assert not [x for x, _ in dots(lane) if left + 0.2 < x < right - 0.2]


def hold_words_beside_bars(drawn: Drawn, lane: str, wanted: list[tuple[int, int, str]]) -> None:
    """Every stretch has its box, with its words on it, beside it or under it."""
    if not wanted:
        assert lane not in drawn.lanes or not bars(drawn.lanes[lane], "bar")
        return
    svg = drawn.lanes[lane]
    found = bars(svg, "bar")
    assert len(found) == len(wanted)
    words = list(boxes(svg))
    for start, end, text in wanted:
        box = next(
            b for b in found if drawn.at(b[0], start) and abs(max(drawn.x(end), drawn.x(start) + 2) - b[1]) < 0.12
        )
        found.remove(box)
        left, right, y = box
        said = [w for w in words if w[4].startswith(text.split()[0])]
        beside = [w for w in said if w[1] < y + 1 and w[3] > y - 4 and left - 12 < w[2] and w[0] < right + 12]
        below = [w for w in said if 0 < w[1] - y < 16 and w[0] < right + 1 and left < w[2]]
        assert beside or below, (text, box)


def hold_moments(drawn: Drawn, lane: str, wanted: list[tuple[int, str]]) -> None:
    """Every moment has its tick or shape, and its words beside it."""
    if not wanted:
        return
    svg = drawn.lanes[lane]
    ticks = sorted([numbers(e.attributes["d"])[0] for e in svg.by_class("tick")] + [x for x, _ in dots(svg)])
    assert ticks == pytest.approx(sorted(drawn.x(t) for t, _ in wanted), abs=0.12)
    words = list(boxes(svg))
    for time, text in wanted:
        near = [w for w in words if w[4] == text and (abs(w[0] - drawn.x(time)) < 16 or abs(w[2] - drawn.x(time)) < 16)]
        assert near or drawn.width < 400, (lane, text)


def hold_pins(drawn: Drawn, document: Document, review: Review) -> None:
    """Every finding with a time has one mark, at the time of a place that it names or where its stretch begins."""
    by_print = {one["fingerprint"]: one for one in instances(review.document)}
    seen: set[str] = set()
    for key, lane in drawn.lanes.items():
        stems = [numbers(e.attributes["d"])[0] for e in lane.by_class("stem")]
        marks = lane.by_class("mark")
        assert len(stems) == len(marks)
        for x, mark in zip(stems, marks, strict=True):
            name = mark.attributes["href"].removeprefix("#rr-").replace("-", ":", 1)
            one = by_print[name]
            assert name not in seen
            seen.add(name)
            times = {t for place in one["pointers"] for t in times_on_the_way(document, place["pointer"])}
            if one["span"]:
                times.add(seconds(one["span"]["from"]))
            assert any(drawn.at(x, t) for t in times), (one["rule"]["id"], key)
            hold_worst_reading(drawn, key, x, one, document)
    low, high = window(document)
    spans = [(seconds(one["span"]["from"]), seconds(one["span"]["to"])) for one in by_print.values() if one["span"]]
    # A finding without a stretch of its own is about a charted thing, and has the stretch of that.
    spans += [
        (seconds(item[start]), seconds(item[end]))
        for item in items_in(document)
        for start, end in (("start", "end"), ("on", "off"))
        if isinstance(item.get(start), str) and isinstance(item.get(end), str)
    ]
    for lane in drawn.lanes.values():
        for bracket in lane.by_class("bracket"):
            left, _, _, right, _ = numbers(bracket.attributes["d"])
            assert any(drawn.at(left, max(s, low)) and drawn.at(right, min(e, high)) for s, e in spans)


def items_in(node: Any) -> Iterator[dict[str, Any]]:
    if isinstance(node, dict):
        yield node
    for value in node.values() if isinstance(node, dict) else node if isinstance(node, list) else ():
        yield from items_in(value)


def window(document: Document) -> tuple[int, int]:
    return min(times_in(document)), max(times_in(document))


def times_in(node: Any) -> Iterator[int]:
    if isinstance(node, dict):
        for name, value in node.items():
            if isinstance(value, str) and re.match(r"\d{4}-\d\d-\d\dT", value):
                if name not in ("entered", "closed"):
                    yield seconds(value)
            else:
                yield from times_in(value)
    elif isinstance(node, list):
        for value in node:
            yield from times_in(value)


def times_on_the_way(document: Document, pointer: str) -> Iterator[int]:
    node: Any = document
    for step in pointer.split("/")[1:]:
        if isinstance(node, dict):
            node = node.get(step, {})
        elif isinstance(node, list):
            node = node[int(step)] if step.isdigit() else {}
        if isinstance(node, dict):
            yield from (seconds(node[n]) for n in ("time", "start", "on") if isinstance(node.get(n), str))
        elif isinstance(node, str) and re.match(r"\d{4}-\d\d-\d\dT", node):
            yield seconds(node)


def hold_worst_reading(drawn: Drawn, lane: str, x: float, one: dict[str, Any], document: Document) -> None:
    """Where a rule is about the worst reading, the mark stands at the reading whose value the message tells."""
    rule = pipeline().rulebook.find(one["rule"]["id"])
    assert rule is not None
    if (
        rule.about != "event"
        or rule.worst_by is None
        or f"{{{rule.worst_by.attribute}}}" not in rule.message
        or lane not in (*TITLES, *SCORES)
    ):
        return
    told = re.findall(r"\d+\.?\d*", one["message"])
    at = [v for v in document["monitoring"]["vitals"] if drawn.at(x, seconds(v["time"]))]
    if "already: yes" in one["message"]:
        # Under running therapy a reading is judged with the better of its own value and the next one's.
        at += [
            v
            for v in document["monitoring"]["vitals"]
            for t in (seconds(v["time"]) for v in at[:1])
            if 0 < seconds(v["time"]) - t <= 360
        ]
    members = [lane, "etco2_waveform"] if lane == "etco2_mmhg" else [lane]
    assert any(short(v[m]) in told for v in at for m in members if isinstance(v.get(m), (int, float))) or not told, one[
        "message"
    ]


def hold_words_apart(drawn: Drawn) -> None:
    """No words outside of the drawing, none over others."""
    for svg in drawn.every:
        _, _, width, height = numbers(svg.attributes["viewbox"])
        found = list(boxes(svg))
        for left, top, right, bottom, text in found:
            assert left >= -0.6, text
            assert right <= width + 0.6, text
            assert top >= -1, text
            assert bottom <= height + 1, text
        for i, one in enumerate(found):
            for other in found[:i]:
                apart = (
                    one[0] >= other[2] - 2 or other[0] >= one[2] - 2 or one[1] >= other[3] - 2 or other[1] >= one[3] - 2
                )
                assert apart, (svg.attributes.get("data-lane"), one, other)


def hold(document: Document, review: Review, root: Element) -> int:
    held = 0
    for drawn in drawings(root):
        hold_readings(drawn, document)
        hold_scores(drawn, document)
        hold_pins(drawn, document, review)
        hold_words_apart(drawn)
        died = document.get("injuries", {}).get("death", {})
        if isinstance(died, dict) and "time" in died:
            assert drawn.death is not None
            assert drawn.at(drawn.death, seconds(died["time"]))
            assert all(svg.by_class("death") for svg in drawn.lanes.values())
        else:
            assert drawn.death is None
        held += sum(
            len(dots(lane)) + len(bars(lane, "bar")) + len(lane.by_class("mark")) for lane in drawn.lanes.values()
        )
    return held


@pytest.mark.parametrize("block", range(4))
def test_every_mark_of_random_records_is_where_the_record_says(block: int) -> None:
    held = 0
    for seed in range(block * 15, block * 15 + 15):
        document = random_record(seed)
        review, root = shown(document)
        held += hold(document, review, root)
        for drawn in drawings(root):
            hold_limbs(drawn, document)
            postures = [
                (seconds(p["start"]), seconds(p["end"]), p["posture"].replace("_", " ")) for p in document["postures"]
            ]
            hold_words_beside_bars(drawn, "postures", postures)
            doses = [(seconds(d["time"]), f"{d['drug']} {d['dose']} mg IM") for d in document["sedation"]["doses"]]
            hold_moments(drawn, "sedation", doses)
            watch = document["monitoring"]
            happened = [
                (seconds(e["time"]), e.get("event", e.get("action", "")).replace("_", " "))
                for e in (*watch["events"], *watch["actions"])
            ]
            hold_moments(drawn, "events", happened)
            for name, lane in (
                ("capnography", "etco2_mmhg"),
                ("oximetry", "spo2"),
                ("ecg", "hr"),
                ("observation", "observation"),
            ):
                if name in watch:
                    (found,) = bars(drawn.lanes[lane], "watch")
                    assert drawn.at(found[0], seconds(watch[name][0]["start"]))
                    assert drawn.at(found[1], seconds(watch[name][0]["end"]))
                    # A monitor lies under the readings, never over them.
                    assert lane == "observation" or all(y < found[2] for _, y in dots(drawn.lanes[lane]))
    assert held > 500


def test_every_mark_of_a_chart_full_of_dangers_is_where_the_record_says() -> None:
    document = many_dangers()
    assert hold(document, *shown(document)) > 50


@pytest.mark.parametrize("name", demo_names())
def test_every_mark_of_the_demo_is_where_the_record_says(name: str) -> None:
    review, root = shown(demo(name))
    assert demo_review(name).document["findings"] == review.document["findings"]
    for drawn in drawings(root):
        hold_words_apart(drawn)


def test_a_mark_in_the_wrong_place_is_seen() -> None:
    """The checks above fail on a drawing that is a minute, a value or a lane off."""
    document = many_dangers()
    review, root = shown(document)
    document["monitoring"]["vitals"][2]["time"] = clock(31)
    with pytest.raises(AssertionError):
        hold(document, review, root)
    document = many_dangers()
    document["monitoring"]["vitals"][2]["rr"] = 12
    with pytest.raises(AssertionError):
        hold(document, review, root)
    document = many_dangers()
    document["monitoring"]["vitals"][1]["hr"] = document["monitoring"]["vitals"][1].pop("gcs_total")
    with pytest.raises(AssertionError):
        hold(document, review, root)
