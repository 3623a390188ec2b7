"""What the picture says of a value on a limit, of a place with several findings, and of an end that is not charted."""

from __future__ import annotations

import itertools
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest

from service.facts.fact import Fact
from service.pages.limits import limits
from service.pages.pins import Pins
from tests.support.episodes import exemplary, limb, small, vital
from tests.support.pages import demo_review, shown
from tests.support.pipeline import pipeline
from tests.support.reviews import instances

ADULT = Fact("episode", "", (), {"ep_age_years": 40, "ep_age_months": 480})
DOCUMENT = {"versions": {"profile": "default 1"}, "off": []}
ORDERS = sorted(set(itertools.permutations(("critical", "warning", "info"))))


def test_a_value_on_a_limit_is_shown_as_bad_only_where_the_table_has_it_so() -> None:
    """NEWS2 (Royal College of Physicians 2017), chart 1: breathing of 8 or less and 25 or more, pulse of 40 or less and
    131 or more score. The national field triage guideline (2021) has a systolic pressure below 90. A reader who sees
    "< 8" takes 8 breaths for enough.
    """
    found = {(m.member, m.low, m.value): m.inclusive for m in limits(pipeline().rulebook, DOCUMENT, ADULT)}
    assert {key: found[key] for key in found if key[2] in (8, 25, 40, 131) and key[0] in ("rr", "hr")} == {
        ("rr", True, 8): True, ("rr", False, 25): True, ("hr", True, 40): True, ("hr", False, 131): True,
    }  # fmt: skip
    assert found["sbp", True, 90] is False
    _, root = shown(exemplary())
    said = {text.text() for text in root.by_tag("text")}
    assert {"≥ 25", "< 90"} <= said
    assert {"> 25", "≤ 90"} & said == set()


@pytest.mark.parametrize("order", ORDERS)
def test_a_limit_of_several_rules_has_the_gravest_severity(order: tuple[str, ...]) -> None:
    """A critical limit that is drawn as information is passed over."""
    book = pipeline().rulebook
    slow = next(rule for rule in book.rules if rule.about == "event" and limits_of(book, rule) == [8])
    same = tuple(replace(slow, id=f"RR-900{n}", severity=severity) for n, severity in enumerate(order))
    (limit,) = limits(replace(book, rules=same), DOCUMENT, ADULT)
    assert (limit.value, limit.severity) == (8, "critical")


def limits_of(book: Any, rule: Any) -> list[float]:
    return [limit.value for limit in limits(replace(book, rules=(rule,)), DOCUMENT, ADULT)]


@pytest.mark.parametrize("order", ORDERS)
def test_a_place_with_several_findings_has_the_color_of_the_gravest(order: tuple[str, ...]) -> None:
    review = demo_review("found-prone-handcuffs-key-away")
    one = next(one for one in instances(review.document) if one["category"] == "safety")
    said = [(number, one | {"severity": severity}) for number, severity in enumerate(order, 1)]
    pins = Pins(review, pipeline().rulebook, said, None, None)  # type: ignore[arg-type]
    place = one["pointers"][0]["pointer"]
    object_, _, member = place.rpartition("/")
    assert pins.stain(SimpleNamespace(at=place)) == "critical"  # type: ignore[arg-type]
    assert pins.stain(SimpleNamespace(at=object_), member) == "critical"  # type: ignore[arg-type]
    assert pins.stain_under(SimpleNamespace(at=object_)) == "critical"  # type: ignore[arg-type]
    assert pins.stain(SimpleNamespace(at="/elsewhere")) is pins.stain_under(SimpleNamespace(at="/else")) is None  # type: ignore[arg-type]


def test_of_several_places_the_gravest_colors_what_holds_them() -> None:
    pins = Pins.__new__(Pins)
    pins.stains = {"/a/0": "info", "/a/0/x": "critical", "/a/0/y": "warning", "/a/01": "critical"}
    node: Any = SimpleNamespace(at="/a/0")
    assert [pins.stain(node), pins.stain(node, "y"), pins.stain(node, "x", "y")] == ["info", "warning", "critical"]
    assert pins.stain_under(node) == "critical"
    del pins.stains["/a/0/x"]
    assert pins.stain_under(node) == "warning"


def test_what_is_not_charted_colors_no_entry_that_is_there() -> None:
    """The entry would read as the fault."""
    review = demo_review("everything-wrong")
    one = next(one for one in instances(review.document) if one["category"] == "completeness")
    assert Pins(review, pipeline().rulebook, [(1, one)], None, None).stains == {}  # type: ignore[arg-type]


@pytest.mark.parametrize(("off", "arrows"), [(None, 1), (20, 0)])
def test_a_restraint_without_an_end_has_an_arrow_and_one_with_an_end_has_none(off: int | None, arrows: int) -> None:
    """Without the arrow the strap reads as taken off where the record ends; with one too many, as never taken off."""
    _, root = shown(small(limbs=[limb(on=0, off=off)], monitoring={"vitals": [vital(30, spo2=97)]}))
    for drawing in (each for each in root.by_class("picture") if each.classes & {"w", "n"}):
        assert len(drawing.by_class("open")) == arrows
