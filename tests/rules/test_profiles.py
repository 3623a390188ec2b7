"""The same record under every shipped profile: outcomes differ exactly where the published numbers differ.

The numbers are those of the authorities named in ``rules/sources.yaml`` under
the key of each value; a case below sits between the default and the number of
one of them.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from tests.rules.tables import differences
from tests.support.episodes import Document, drop, encoded, exemplary, put
from tests.support.pipeline import pipeline

MA, RI, CLARK, SLC = "massachusetts-2026", "rhode-island", "clark-2025", "salt-lake-2026"
PROFILES = (MA, RI, CLARK, SLC)
#: Profiles that follow a protocol; each has two worked calls in test_worked_calls.py.
SERVED = tuple(sorted(set(pipeline().served) - {"default", "essential"}))
#: Numbers that have to be one number in every profile: two steps of one quantity, or one duty told by several rules.
LINKED = (
    ("RR-1032.min_people", "RR-1033.min_people", "RR-1034.min_people"),
    ("RR-1219.ketamine_age", "RR-1220.ketamine_age"),
    ("RR-1248.min_age", "RR-1249.min_age"),
    ("RR-1258.elder_age", "RR-1259.elder_age", "RR-1270.elder_age"),
    ("RR-1230.many", "RR-1231.many"),
    ("RR-1306.max_gap", "RR-1307.max_gap"),
    ("RR-1322.max_gap", "RR-1323.max_gap"),
    ("RR-1360.limit", "RR-1362.critical", "RR-1365.limit", "RR-1395.spo2"),
    ("RR-1361.limit", "RR-1363.critical", "RR-1395.spo2_low_target"),
    ("RR-1367.limit", "RR-1371.critical", "RR-1372.limit", "RR-1395.rate"),
    ("RR-1375.limit", "RR-1378.critical", "RR-1380.limit", "RR-1395.etco2"),
    ("RR-1382.limit", "RR-1384.limit", "RR-1396.pressure"),
    ("RR-1388.limit", "RR-1389.critical", "RR-1390.limit", "RR-1396.glucose"),
    ("RR-1391.limit", "RR-1392.critical", "RR-1393.limit", "RR-1396.temperature"),
)


def unsedated(document: Document) -> None:
    document["sedation"] = {"doses": [], "not_given": document["sedation"]["not_given"]}


def vitals_nine_apart(document: Document) -> None:
    """Sets at 18:04, 18:16, 18:24, 18:32, 18:40 and 18:47; the first two 12 min apart, held from 18:11 on."""
    unsedated(document)
    sets = document["monitoring"]["vitals"]
    document["monitoring"]["vitals"] = [sets[i] for i in (0, 1, 3, 5, 7, 9)]


def without_etco2(document: Document) -> None:
    unsedated(document)
    drop(document, "/monitoring/capnography")
    for vital in document["monitoring"]["vitals"]:
        del vital["etco2_mmhg"], vital["etco2_waveform"]


def capnography_late(document: Document) -> None:
    unsedated(document)
    put(document, "/monitoring/capnography/0/start", "2031-04-12T18:24:00-06:00")
    for vital in document["monitoring"]["vitals"][:4]:
        del vital["etco2_mmhg"], vital["etco2_waveform"]


def without_ecg(document: Document) -> None:
    document["monitoring"]["ecg"] = []
    for vital in document["monitoring"]["vitals"]:
        del vital["rhythm"]


def limb_gap_of_twelve(document: Document) -> None:
    """No check at 18:27 or 18:36 but one at 18:30: gaps of 13 and 15 min for three limbs, 8 and 15 for the fourth."""
    checks = [c for c in document["monitoring"]["limb_checks"] if c["time"][11:16] not in ("18:27", "18:36")]
    template = checks[0]
    for number, (side, site) in enumerate((a, b) for a in ("right", "left") for b in ("wrist", "ankle")):
        checks.append(template | {"id": f"cx{number}", "side": side, "site": site, "time": "2031-04-12T18:30:00-06:00"})
    document["monitoring"]["limb_checks"] = checks


def given(
    drug: str, *amounts: tuple[str, float], route: str = "im", age: int | None = None, weight: float | None = None
) -> Callable[[Document], None]:
    """The dose of the record replaced: (minute of 18:.., mg) each."""

    def change(document: Document) -> None:
        first = document["sedation"]["doses"][0]
        document["sedation"]["doses"] = [
            first
            | {
                "id": f"d{n}",
                "drug": drug,
                "dose": mg,
                "route": route,
                "time": f"2031-04-12T18:{minute}:00-06:00",
                "entered": f"2031-04-12T18:{minute}:00-06:00",
            }
            for n, (minute, mg) in enumerate(amounts)
        ]
        if age is not None:
            document["patient"]["age"]["value"] = age
        if weight is not None:
            document["patient"]["weight_kg"] = weight

    return change


def without_direction(change: Callable[[Document], None]) -> Callable[[Document], None]:
    def both(document: Document) -> None:
        change(document)
        document["decision"]["medical_direction"] = {"contacted": False}
        document["sedation"]["doses"][0]["ordered_by"] = "protocol"

    return both


def mask(flow: float) -> Callable[[Document], None]:
    def change(document: Document) -> None:
        put(document, "/custody/face_covers/0/cover", "non_rebreather")
        put(document, "/custody/face_covers/0/oxygen_l_min", flow)

    return change


def setting(pointer: str, value: Any) -> Callable[[Document], None]:
    return lambda document: put(document, pointer, value)


def left_out(pointer: str) -> Callable[[Document], None]:
    return lambda document: drop(document, pointer)


#: name -> (change of the exemplary record, profile -> what it alone adds (+) and leaves out (-) against the default).
CASES: dict[str, tuple[Callable[[Document], None], dict[str, set[str]]]] = {
    "vital signs 8 to 12 min apart, not sedated": (vitals_nine_apart, {MA: {"+RR-1323 warning", "-RR-1322 info"}}),
    "midazolam 7 mg by nose": (
        given("midazolam", ("12", 7), route="in"),
        {RI: {"+RR-1240 warning"}, SLC: {"+RR-1240 warning"}},
    ),
    "ketamine 300 mg IM for 82 kg": (given("ketamine", ("12", 300)), {RI: {"+RR-1241 warning", "+RR-1245 covered"}}),
    "ketamine 120 mg IV": (
        given("ketamine", ("12", 120), route="iv"),
        {RI: {"+RR-1242 warning", "-RR-1245 info", "+RR-1245 covered"}},
    ),
    "ketamine 250 mg IM twice": (
        given("ketamine", ("12", 250), ("22", 250)),
        {MA: {"+RR-1251 warning"}, RI: {"+RR-1241 warning", "+RR-1245 covered"}},
    ),
    "midazolam 5 mg at 65": (given("midazolam", ("12", 5), age=65), {SLC: {"-RR-1259 warning"}}),
    "midazolam 3 mg twice at 65": (
        given("midazolam", ("12", 3), ("24", 3), age=65),
        {SLC: {"-RR-1259 warning", "-RR-1258 warning"}},
    ),
    "droperidol 5 mg at 65": (given("droperidol", ("12", 5), age=65), {SLC: {"-RR-1259 warning", "+RR-1270 info"}}),
    "midazolam 3 mg IM for a child of 20 kg": (
        given("midazolam", ("12", 3), age=8, weight=20),
        {MA: {"+RR-1260 warning"}},
    ),
    "midazolam 3 mg by nose for a child of 20 kg": (
        given("midazolam", ("12", 3), route="in", age=8, weight=20),
        {MA: {"+RR-1260 warning"}},
    ),
    "midazolam 6 mg IM at 15, 65 kg": (given("midazolam", ("12", 6), age=15, weight=65), {MA: {"-RR-1261 warning"}}),
    "ketamine at 14, no medical direction": (
        without_direction(given("ketamine", ("12", 100), age=14, weight=60)),
        {RI: {"+RR-1220 warning", "-RR-1219 info"}},
    ),
    "limb checks 13 to 15 min apart": (limb_gap_of_twelve, {CLARK: {"-RR-1306 info"}}),
    "no ECG after a sedative": (without_ecg, {SLC: {"+RR-1335 warning", "-RR-1335 info"}}),
    "no EtCO2, no sedative": (without_etco2, {RI: {"+RR-1334 warning", "-RR-1334 info"}}),
    "capnography late, no sedative": (capnography_late, {RI: {"+RR-1341 warning", "-RR-1341 info"}}),
    "non-rebreather at 13 L/min": (mask(13), {MA: {"+RR-1131 info"}}),
    "facility told: left out": (left_out("/transport/facility_told"), {MA: {"+RR-1152 warning", "-RR-1152 info"}}),
    "facility not told": (setting("/transport/facility_told", False), {MA: {"+RR-1422 warning", "-RR-1422 info"}}),
    "no harness": (
        setting("/stretcher/torso_harness", "not_used"),
        {MA: {"+RR-1045 warning", "-RR-1045 info"}, RI: {"+RR-1045 warning", "-RR-1045 info"}},
    ),
    "haloperidol IV": (given("haloperidol", ("12", 5), route="iv"), {MA: {"+RR-1236 warning", "-RR-1236 info"}}),
    "nothing changed": (lambda document: None, {}),
}
#: A shock index of 0.69 in the last set: over the number of Rhode Island for every adult.
ALWAYS = {RI: {"+RR-1398 info"}}


def findings(document: Document, profile: str) -> set[str]:
    """What is asked, reviewed, counted (which is always for information) or covered by a graver finding."""
    review = pipeline().review(encoded(document), "application/json", profile).document
    counted = {f"{entry['rule']} info" for entry in review["counted"]}
    covered = {f"{entry['rule']} covered" for entry in review["covered"]}
    return {f"{f['rule']['id']} {f['severity']}" for f in review["findings"]} | counted | covered


@pytest.mark.parametrize("name", CASES)
def test_the_same_record_differs_exactly_where_the_numbers_do(name: str) -> None:
    change, expected = CASES[name]
    document = exemplary()
    change(document)
    default = findings(document, "default")
    for profile in PROFILES:
        here = findings(document, profile)
        differs = {f"+{f}" for f in here - default} | {f"-{f}" for f in default - here}
        always = ALWAYS.get(profile, set()) if document["patient"]["age"]["value"] >= 16 else set()
        assert differs == expected.get(profile, set()) | always, profile


def test_every_difference_is_seen_to_change_an_outcome() -> None:
    """No number stands in a profile without a record on which it decides."""
    shown = {
        (profile, mark[1:8])
        for _, expected in [*CASES.values(), (None, ALWAYS)]
        for profile, marks in expected.items()
        for mark in marks
    }
    wanted = {
        (profile, rule)
        for (rule, what), values in differences(pipeline().rulebook).items()
        if what != "handled by"
        for profile in values
        if profile in PROFILES
    }
    assert wanted <= shown, sorted(wanted - shown)


@pytest.mark.parametrize("profile", SERVED)
def test_linked_numbers_are_one_number(profile: str) -> None:
    book = pipeline().rulebook
    rules = {rule.id: rule for rule in book.rules}
    for group in LINKED:
        values = set()
        for name in group:
            rule_id, parameter = name.split(".")
            one = next(p for p in rules[rule_id].parameters if p.name == parameter)
            values.add(one.under(rule_id, book.profiles[profile].numbers))
        assert len(values) == 1, (group, values)


@pytest.mark.parametrize("profile", SERVED)
def test_every_choice_names_its_source_and_the_profile_says_what_is_not_known(profile: str) -> None:
    book = pipeline().rulebook
    raw = book.profiles[profile].raw
    for choices in raw["parameters"].values():
        assert all(choice["source"] in book.sources for choice in choices.values())
    assert all(choice["source"] in book.sources for choice in raw["severities"].values())
    assert any("default" in note for note in raw["notes"])
