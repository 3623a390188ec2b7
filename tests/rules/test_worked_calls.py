"""For every protocol a call that it allows, with nothing above info about it, and one that it forbids, with the finding.

The calls are the exemplary record with the doses, the checks or the people of each protocol. Where a protocol is
silent, its profile says so and nothing stands here.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from tests.rules.test_profiles import SERVED, findings, given, limb_gap_of_twelve, vitals_nine_apart, without_direction
from tests.support.episodes import Document, exemplary

Change = Callable[[Document], None]

ALLOWED: dict[str, Change] = {
    "clark-2025": limb_gap_of_twelve,
    "los-angeles-2025": given("midazolam", ("12", 5), ("17", 5), ("22", 5), ("27", 5)),
    "maine-2025": given("ketamine", ("12", 500), weight=126),
    "massachusetts-2026": given("midazolam", ("12", 6), age=15, weight=65),
    "michigan-2023": given("midazolam", ("12", 10), weight=110),
    "north-carolina-2022": given("midazolam", ("12", 5), ("17", 5), ("22", 5), ("27", 5)),
    "orange-2025": given("midazolam", ("12", 5), ("17", 5), age=67),
    "rhode-island": given("midazolam", ("12", 5), ("24", 5)),
    "salt-lake-2026": given("midazolam", ("12", 5), age=65),
    "western-virginia-2026": given("midazolam", ("12", 2.5), ("14", 2.5), ("16", 2.5)),
}
#: The same amounts where the default says otherwise: the profile is what allows them.
BY_DEFAULT = {
    "los-angeles-2025": "RR-1264 critical",
    "maine-2025": "RR-1241 warning",
    "massachusetts-2026": "RR-1261 warning",
    "michigan-2023": "RR-1263 critical",
    "north-carolina-2022": "RR-1264 critical",
    "orange-2025": "RR-1259 warning",
    "salt-lake-2026": "RR-1259 warning",
    "western-virginia-2026": "RR-1268 warning",
}
FORBIDDEN: dict[str, tuple[Change, str]] = {
    "clark-2025": (given("diphenhydramine", ("12", 55)), "RR-1244 warning"),
    "los-angeles-2025": (given("midazolam", ("12", 5), ("14", 5)), "RR-1268 warning"),
    "maine-2025": (
        without_direction(given("ketamine", ("12", 100), age=9, weight=30)),
        "RR-1220 warning",
    ),
    "massachusetts-2026": (vitals_nine_apart, "RR-1323 warning"),
    "michigan-2023": (given("midazolam", ("12", 6), age=13, weight=70), "RR-1261 warning"),
    "north-carolina-2022": (given("midazolam", ("12", 3), route="iv"), "RR-1239 warning"),
    "orange-2025": (given("midazolam", ("12", 6), ("18", 6)), "RR-1250 warning"),
    "rhode-island": (given("ketamine", ("12", 250)), "RR-1241 warning"),
    "salt-lake-2026": (given("midazolam", ("12", 7), route="in"), "RR-1240 warning"),
    "western-virginia-2026": (given("midazolam", ("12", 2.5), ("13", 2.5)), "RR-1268 warning"),
}


def test_every_protocol_has_both() -> None:
    assert set(ALLOWED) == set(FORBIDDEN) == set(SERVED)


@pytest.mark.parametrize("profile", SERVED)
def test_what_the_protocol_allows_is_no_finding(profile: str) -> None:
    document = exemplary()
    ALLOWED[profile](document)
    assert {entry for entry in findings(document, profile) if entry.endswith(("warning", "critical"))} == set()


@pytest.mark.parametrize("profile", BY_DEFAULT)
def test_the_default_says_otherwise(profile: str) -> None:
    document = exemplary()
    ALLOWED[profile](document)
    assert BY_DEFAULT[profile] in findings(document, "default")


@pytest.mark.parametrize("profile", SERVED)
def test_what_the_protocol_forbids_is_the_finding(profile: str) -> None:
    change, finding = FORBIDDEN[profile]
    document = exemplary()
    change(document)
    assert finding in findings(document, profile)


def test_a_second_total_asks_for_the_call() -> None:
    document = exemplary()
    without_direction(given("midazolam", ("12", 5), ("17", 5), ("22", 5)))(document)
    assert "RR-1274 warning" in findings(document, "los-angeles-2025")
    assert not {entry for entry in findings(document, "north-carolina-2022") if entry.startswith("RR-1274")}


@pytest.mark.parametrize(
    ("profile", "accepted"), [("orange-2025", True), ("maine-2025", True), ("rhode-island", False)]
)
def test_an_officer_who_follows(profile: str, accepted: bool) -> None:
    document = exemplary()
    document["custody"]["officer"] = "following"
    document["custody"]["devices"][0]["off"] = "2031-04-12T18:40:00-06:00"
    assert ("RR-1133 critical" in findings(document, profile)) is not accepted
