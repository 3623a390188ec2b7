"""Documents that nobody should send: answered with a problem or a review, in bounded time, never with an exception."""

from __future__ import annotations

import copy
import json
import random
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from service.formats.collector import MOST_OF_A_CODE
from service.formats.fhir import read as fhir_reader
from service.formats.fhir import write as fhir_writer
from service.formats.fhir.chart import DETAILS
from service.intake import episode_json
from service.intake.result import Intake
from service.problems import Rejected
from tests.support.cost import cpu_at_most
from tests.support.fhir import (
    LEFT_WRIST,
    LOINC,
    RIGHT_WRIST,
    SNOMED,
    bundle,
    concept,
    drug,
    observation,
    quantity,
    read,
    restraint,
    sign,
    walk,
)
from tests.support.pipeline import demo, pipeline

#: CPU seconds that one document may take.
MOST_SECONDS = 12.0
ODD: list[Any] = [
    None,
    True,
    5,
    -1,
    1e308,
    "",
    "x",
    "2031-04-12T18:05:00Z",
    [],
    {},
    [None],
    [[]],
    [{}],
    {"coding": 5},
    {"reference": "#"},
    ["x"],
]
CODES = {"no-restraint", "several-charts", "too-many-items", "not-a-bundle", "invalid-episode"}


def answer(document: Any) -> Intake | str:
    """The episode, or the code of the refusal."""
    try:
        return read(document)
    except Rejected as refusal:
        assert refusal.status == 422
        assert refusal.code in CODES
        return refusal.code


@pytest.fixture(autouse=True)
def in_time() -> Iterator[None]:
    with cpu_at_most(MOST_SECONDS):
        yield


# ---------------------------------------------------------------- many and round


def _many(make: Callable[[int], Any], count: int = 10_000) -> Any:
    return bundle(*(make(number) for number in range(count)))


def _late(number: int) -> str:
    return f"2031-04-12T{number // 3600 % 24:02d}:{number // 60 % 60:02d}:{number % 60:02d}-06:00"


MANY: dict[str, tuple[Callable[[int], Any], str | None]] = {
    "readings": (lambda n: sign("8867-4", 90, "/min") | {"effectiveDateTime": _late(n)}, "too-many-items"),
    "readings of one time": (lambda n: sign("8867-4", n % 300, "/min"), None),
    "checks": (lambda n: observation("67533-0", bodySite=concept(SNOMED, LEFT_WRIST), valueCodeableConcept=concept(LOINC, "LA17271-0")), None),
    "unknown": (lambda n: {"resourceType": f"Unknown{n}"}, None),
    "nothing": (lambda n: None, None),
    "restraints in a ring": (lambda n: restraint(id=f"q{n}", bodySite=[], partOf=[{"reference": f"Procedure/q{(n + 1) % 10_000}"}]), None),
    "panels in a ring": (lambda n: observation("85353-1", id=f"q{n}", hasMember=[{"reference": f"Observation/q{(n + 1) % 10_000}"}]), None),
    "practitioners": (lambda n: {"resourceType": "Practitioner", "id": f"q{n}"}, "too-many-items"),
    "responses": (lambda n: observation("67540-5", valueCodeableConcept=concept(LOINC, "LA17181-1")), None),
    "drugs": (lambda n: drug(id=f"q{n}"), "too-many-items"),
    "entry times": (lambda n: {"resourceType": "Provenance", "recorded": _late(n), "target": [{"reference": "Procedure/r1"}]}, None),
    "narratives": (lambda n: observation("67781-5", valueString="word " * 8), None),
    "allergies": (lambda n: {"resourceType": "AllergyIntolerance", "code": {"text": "x"}}, None),
    "episodes": (lambda n: {"resourceType": "Encounter", "extension": [{"url": f"{fhir_writer.profile.url('episode')}"}]}, "several-charts"),
}  # fmt: skip


@pytest.mark.parametrize("name", MANY)
def test_ten_thousand_entries(name: str) -> None:
    make, code = MANY[name]
    found = answer(_many(make))
    if code:
        assert found == code
    if isinstance(found, Intake):
        assert len(found.notices) <= (MOST_OF_A_CODE + 1) * len(DETAILS)


def test_one_hold_by_ten_thousand_people_on_every_limb() -> None:
    people = [{"actor": {"reference": f"Practitioner/{n}"}} for n in range(10_000)]
    sites = [concept(SNOMED, code) for code in (LEFT_WRIST, RIGHT_WRIST)] * 500
    assert (
        answer(bundle(restraint(code=concept(SNOMED, "78086002"), performer=people, bodySite=sites), alone=True))
        == "too-many-items"
    )


def test_ten_thousand_codings() -> None:
    codings = {
        "coding": [
            {"system": f"https://x.example/{n}", "code": str(n), "display": "midazolam ketamine"} for n in range(10_000)
        ]
    }
    assert isinstance(answer(bundle(drug(medicationCodeableConcept=codings))), Intake)


def test_ten_thousand_parts_of_an_extension() -> None:
    url = fhir_writer.profile.url
    limb = {
        "url": "limbs",
        "extension": [
            {"url": "site", "valueCode": "wrist"},
            {"url": "side", "valueCode": "left"},
            {"url": "id", "valueString": "same"},
        ],
    }
    part = {"url": url("application"), "extension": [limb] * 10_000}
    assert answer(bundle({"resourceType": "Encounter", "extension": [part]}, alone=True)) == "too-many-items"


def test_references_that_lead_round() -> None:
    role = {"resourceType": "PractitionerRole", "id": "x", "practitioner": {"reference": "PractitionerRole/y"}}
    back = {"resourceType": "PractitionerRole", "id": "y", "practitioner": {"reference": "PractitionerRole/x"}}
    act = restraint(partOf=[{"reference": "Procedure/r1"}], performer=[{"actor": {"reference": "PractitionerRole/x"}}])
    own = observation(
        "85353-1",
        id="o",
        hasMember=[{"reference": "Observation/o"}, {"reference": "#o"}],
        subject={"reference": "Observation/o"},
    )
    assert isinstance(answer(bundle(role, back, act, alone=True)), Intake)
    assert isinstance(answer(bundle(own)), Intake)


def test_contained_in_what_it_contains() -> None:
    inner: dict[str, Any] = {
        "resourceType": "Device",
        "id": "d",
        "type": {"text": "cloth"},
        "contained": [{"resourceType": "Device", "id": "d"}],
    }
    act = restraint(contained=[inner, inner], usedReference=[{"reference": "#d"}])
    assert isinstance(answer(bundle(act, alone=True)), Intake)


# ---------------------------------------------------------------- wrong types anywhere


def _places(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    if path:
        yield path
    inside = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, inner in inside:
        yield from _places(inner, (*path, key))


def _mutate(rng: random.Random, document: Any) -> Any:
    """One to four places set to something odd, taken out, doubled, or swapped with another place."""
    document = copy.deepcopy(document)
    for _ in range(rng.randint(1, 4)):
        places = list(_places(document))
        *way, last = rng.choice(places)
        holder = document
        for step in way:
            holder = holder[step]
        match rng.randrange(5):
            case 0 if isinstance(holder, dict):
                del holder[last]
            case 1 if isinstance(holder, list):
                holder.append(copy.deepcopy(holder[last]))
            case 2:
                other = document
                for step in rng.choice(places):
                    other = other[step] if isinstance(other, (dict, list)) and _has(other, step) else other
                holder[last] = copy.deepcopy(other)
            case _:
                holder[last] = copy.deepcopy(rng.choice(ODD))
    return document


def _has(holder: Any, step: Any) -> bool:
    return step in holder if isinstance(holder, dict) else isinstance(step, int) and step < len(holder)


def _by_hand() -> Any:
    """A small document in which every reader has something to read."""
    people = [{"actor": {"reference": "Practitioner/m"}, "function": concept(SNOMED, "397897005")}]
    finding = [{"code": concept(SNOMED, "12146004"), "valueBoolean": True}]
    return bundle(
        {"resourceType": "Patient", "id": "a", "gender": "male", "birthDate": "1990-01-01", "deceasedBoolean": False},
        {"resourceType": "Encounter", "id": "e", "subject": {"reference": "Patient/a"}},
        {"resourceType": "Practitioner", "id": "m", "qualification": [{"code": {"text": "Paramedic"}}]},
        restraint(subject={"reference": "Patient/a"}, performer=people, reasonCode=[{"text": "struck out"}], usedReference=[{"reference": "Device/d"}]),
        {"resourceType": "Device", "id": "d", "deviceName": [{"name": "cloth"}]},
        restraint(id="h", code=concept(SNOMED, "78086002"), performer=people),
        sign("8867-4", 90, "/min", id="o1"),
        observation("85354-9", component=[{"code": concept(LOINC, "8480-6"), "valueQuantity": quantity(120, "mm[Hg]")}]),
        observation("67533-0", bodySite=concept(SNOMED, LEFT_WRIST), component=finding),
        observation("8361-8", valueCodeableConcept=concept(SNOMED, "40199007")),
        observation("67781-5", valueString="Calm."),
        observation("69476-0", valueDateTime="2031-04-12T18:29:00-06:00"),
        drug(id="d1", performer=people),
        {"resourceType": "Condition", "code": concept(SNOMED, "195967001")},
        {"resourceType": "AllergyIntolerance", "code": {"text": "haloperidol"}},
        {"resourceType": "AdverseEvent", "event": concept(SNOMED, "1023001"), "date": "2031-04-12T18:12:00-06:00"},
        {"resourceType": "Provenance", "target": [{"reference": "Procedure/r1"}], "recorded": "2031-04-12T18:40:00-06:00"},
        alone=True,
    )  # fmt: skip


@pytest.mark.parametrize("source", ["by hand", "by profile"])
def test_wrong_types_anywhere(source: str) -> None:
    """Seeded: the same documents in every run."""
    episode = episode_json.from_value(demo("night-two-crew-late-sedation")).episode
    base = _by_hand() if source == "by hand" else fhir_writer.bundle(episode)
    rng = random.Random(20310412)
    read_well = 0
    for number in range(600 if source == "by hand" else 150):
        document = _mutate(rng, base)
        found = answer(document)
        if isinstance(found, Intake):
            read_well += 1
            assert all(walk(document, path) for path in set(found.places.values())), number
            if number % 10 == 0:
                pipeline().facts(found.episode)
    assert read_well > 100


def test_the_same_document_gives_the_same_episode_and_digest_whatever_its_order_of_members() -> None:
    document = _by_hand()
    turned = json.loads(json.dumps(document, sort_keys=True))
    one, two = fhir_reader.read(json.dumps(document).encode()), fhir_reader.read(json.dumps(turned, indent=1).encode())
    assert one == two
