"""Every place that is named resolves in the document that was sent, by an independent evaluator of FHIRPath."""

from __future__ import annotations

import json
import random
from typing import Any

import pytest
from fhirpathpy import evaluate
from fhirpathpy.models import models

from service.formats.fhir import write as fhir_writer
from service.intake import episode_json
from service.intake.result import Intake
from tests.support.episodes import full
from tests.support.fhir import read, shared, walk
from tests.support.pipeline import demo, demo_names, pipeline
from tests.support.reviews import instances

R4 = models["r4"]
NAMES = ["chart", "full", *demo_names()]


def sent(name: str) -> Any:
    if name == "chart":
        return json.loads(shared("fhir/fhir-restrained.json"))
    episode = full() if name == "full" else demo(name)
    return fhir_writer.bundle(episode_json.from_value(episode).episode)


def resolves(document: Any, path: str) -> list[Any]:
    """By fhirpathpy with the R4 model: FHIRPath 2.0, choice elements by their stem (FHIR R4, 2.3.1)."""
    return list(evaluate(document, path, [], R4))


def told(intake: Intake) -> set[str]:
    return set(intake.places.values()) | {notice.pointer for notice in intake.notices}


@pytest.mark.parametrize("name", NAMES)
def test_places_resolve_by_an_independent_evaluator(name: str) -> None:
    document = sent(name)
    paths = sorted(told(read(document)))
    sample = random.Random(7).sample(paths, min(40, len(paths)))
    assert [path for path in sample if not resolves(document, path)] == []


@pytest.mark.parametrize("name", NAMES)
def test_every_place_is_there(name: str) -> None:
    document = sent(name)
    intake = read(document)
    assert [path for path in told(intake) if not walk(document, path)] == []
    assert len(intake.places) > 40


def _floats(value: Any) -> Any:
    """The evaluator answers with decimals."""
    return json.loads(json.dumps(value, default=float))


def test_the_walk_and_the_evaluator_agree() -> None:
    document = sent("exemplary")
    paths = random.Random(11).sample(sorted(told(read(document))), 60)
    assert [p for p in paths if walk(document, p) != _floats(resolves(document, p))] == []


def test_the_place_of_a_value_holds_the_value() -> None:
    document = sent("exemplary")
    intake = read(document)
    vital = intake.episode.monitoring.vitals[0]  # type: ignore[union-attr]
    assert resolves(document, intake.places[f"{vital.at}/hr"])[0]["value"] == vital.hr
    limb = intake.episode.application.limbs[0]  # type: ignore[union-attr]
    assert resolves(document, intake.places[f"{limb.at}/on"]) == [limb.on.when.isoformat()]
    (anchor,) = resolves(document, intake.places[f"{limb.at}/anchor"])
    assert (anchor["url"], anchor["valueCode"]) == ("anchor", limb.anchor)


@pytest.mark.parametrize("name", ["chart", "everything-wrong"])
def test_findings_point_into_the_document_that_was_sent(name: str) -> None:
    document = sent(name)
    review = pipeline().review(json.dumps(document).encode(), "application/fhir+json", "default").document
    places = [place["fhirpath"] for finding in instances(review) for place in finding["pointers"]]
    assert places
    assert [path for path in sorted(set(places)) if not walk(document, path)] == []
    assert [path for path in sorted(set(places))[:30] if not resolves(document, path)] == []
