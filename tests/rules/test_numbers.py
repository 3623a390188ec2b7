"""Every number of the published tables has a parameter whose range holds it, or a reason why none does."""

from __future__ import annotations

from pathlib import Path

import pytest

from service.intake import strict_yaml
from tests.support.pipeline import pipeline

NUMBERS = strict_yaml.load(Path(__file__).with_name("numbers.yaml"))
BOOK = pipeline().rulebook
PARAMETERS = {f"{r.id}.{p.name}": p for r in BOOK.rules for p in r.parameters} | dict(BOOK.shared)


@pytest.mark.parametrize("protocol", NUMBERS["held"])
def test_a_range_holds_every_published_number(protocol: str) -> None:
    for name, values in NUMBERS["held"][protocol].items():
        one = PARAMETERS[name]
        assert one.of is None, name
        assert [value for value in values if not one.low <= value <= one.high] == [], name


@pytest.mark.parametrize("name", [name for name, one in PARAMETERS.items() if one.of is None and one.low < one.high])
def test_far_over_is_one_and_a_half_times_the_limit(name: str) -> None:
    for rule in BOOK.rules:
        for one in rule.parameters:
            if one.of == name and one.name.startswith("critical"):
                assert one.times == 1.5, f"{rule.id}.{one.name}"


def test_what_is_not_held_has_a_reason() -> None:
    assert NUMBERS["not_held"]
    assert all(isinstance(reason, str) and len(reason) > 15 for reason in NUMBERS["not_held"].values())


def test_no_text_claims_more_than_was_read() -> None:
    for rule in BOOK.rules:
        texts = " ".join(str(rule.raw.get(part, "")) for part in ("title", "message", "tell_now", "remediation", "why"))
        for claim in ("any published", "highest published", "published maximum", "highest total"):
            assert claim not in texts, rule.id
