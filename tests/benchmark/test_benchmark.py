"""The guard on counts, and that what is compared is the same thing.

Outside references: zen-engine (GoRules expressions) and json-logic-qubit
(JsonLogic) decide the shipped rules on random facts as the engine does;
pydantic and msgspec read the demo episodes to the same values.
"""

from __future__ import annotations

import json
import math
import random
from typing import Any

import pytest
from werkzeug.test import Client as WsgiClient

from service.facts.fact import FactSheet
from service.formats.fhir import read as fhir_reader
from service.formats.nemsis import read as nemsis_reader
from service.intake import episode_json
from tests.benchmark import charts, counts, engines, growth, models, parts, stages, timed
from tests.benchmark.__main__ import FIGURES, MARK
from tests.benchmark.episodes import NARRATIVE, SIZES, episode, timed_items
from tests.engine.real import subject
from tests.engine.sheets import random_sheet
from tests.support.pipeline import demo, demo_names, pipeline
from tests.support.written import between, put

# ---------------------------------------------------------------- the guard


@pytest.mark.parametrize("name", counts.BODIES)
def test_no_count_has_moved_by_a_third(name: str) -> None:
    known = counts.recorded()
    if counts.VERSION not in known:
        pytest.skip(f"no counts are recorded for Python {counts.VERSION}")
    slips = counts.slips(known[counts.VERSION][name], counts.count(pipeline(), *counts.BODIES[name]))
    assert slips == [], "python -m tests.benchmark.counts --write records them, if that is meant"


@pytest.mark.parametrize(("now", "names"), [(134, ["calls"]), (133, []), (67, []), (66, ["calls"])])
def test_the_guard_sees_a_slip_of_a_third_and_a_gain(now: int, names: list[str]) -> None:
    assert [line.split(":")[0] for line in counts.slips({"calls": 100}, {"calls": now})] == names


def test_the_narrative_is_as_long_as_it_says_and_tells_things() -> None:
    assert len(NARRATIVE) == 1000
    told = pipeline().rulebook.narrative.read(NARRATIVE)
    assert {hit.family for hit in told} >= {"position", "quiet", "drug", "vital", "seizure", "release"}
    assert {hit.assertion for hit in told} >= {"affirmed", "negated"}


def test_facts_of_the_smaller_episode() -> None:
    """The project's own aim: at most 80."""
    assert counts.count(pipeline(), 60)["facts"] <= 80


@pytest.mark.parametrize("times", [1, 8])
def test_one_engine_call_for_every_500_facts(times: int) -> None:
    own = pipeline()
    decider = stages.Subject(own).decider
    sheet = own.facts(own.read(stages.bodies(60, 1)[0], stages.MEDIA_TYPE).episode)
    many = FactSheet(sheet.facts * times, sheet.drawn_from, sheet.closed)
    assert (len(many.facts) > 500) == (times > 1)
    assert counts.engine_calls(lambda: decider.decide(many)) == math.ceil(len(many.facts) / 500)


def test_calls_grow_no_faster_than_items() -> None:
    """Twice the items: at most twice the calls and a tenth."""
    few, many = (counts.calls(pipeline(), json.dumps(growth.grown(size)).encode()) for size in (1000, 2000))
    assert sum(many) <= 2.2 * sum(few)


# ---------------------------------------------------------------- the same question, the same answer


@pytest.mark.parametrize("name", engines.OTHERS)
def test_other_engines_find_the_same(name: str) -> None:
    module, build = engines.OTHERS[name]
    pytest.importorskip(module)
    decider, catalogue, literals = subject()
    run, flatten, rng, found = build(decider.rules), engines.Flattener(decider.rules), random.Random(5), 0
    for _ in range(25):
        sheet = random_sheet(rng, catalogue, literals)  # type: ignore[arg-type]
        fired = decider._fence.fire(sheet.facts)
        found += len(fired)
        assert run(flatten(sheet.facts)) == fired
    assert found > 100


def test_the_evaluator_apart_decides_as_both_together() -> None:
    own = stages.Subject(pipeline())
    for body in stages.bodies(60, 2):
        ended: list[str] = []
        assert own.stages(body, ended.append) == own.whole(body)
        assert tuple(ended) == stages.STAGES


@pytest.mark.parametrize("library", ["pydantic", "msgspec"])
def test_other_models_read_the_same(library: str) -> None:
    pytest.importorskip(library)
    if library == "pydantic":
        read = models.pydantic_model().model_validate_json
    else:
        import msgspec

        read = msgspec.json.Decoder(models.msgspec_model()).decode
    compared = 0
    for document in [*map(demo, demo_names()), *map(episode, SIZES)]:
        if document.keys() & {"not_collected", "accepted", "extensions"}:
            continue
        body = json.dumps(document).encode()
        assert models.plain(read(body)) == models.plain(episode_json.read(body).episode)
        compared += 1
    assert compared >= 6
    for wrong in ({"patient": {"weight_kg": -1}}, {"no_such_member": 1}, {"transport": {"arrived": "2031-08-14T10:00:00"}}, {"narrative": 5}, {"patient": {"sex": "x"}}):  # fmt: skip
        with pytest.raises(ValueError):
            read(json.dumps({"episode_ref": "a", **wrong}).encode())


def test_pydantic_with_more_promises_keeps_them() -> None:
    pytest.importorskip("pydantic")
    body = json.dumps(episode(60)).encode()
    read, digest = models.pydantic_and_digest(body)
    assert (models.plain(read), digest) == (
        models.plain(episode_json.read(body).episode),
        episode_json.read(body).digest,
    )
    with pytest.raises(ValueError, match="one name"):
        models.pydantic_and_digest(body.replace(b'"hr": ', b'"hr": 90, "hr": ', 1))


# ---------------------------------------------------------------- the parts of a request


def test_the_parts_are_the_whole() -> None:
    full = {"whole": 3000.0, "app": 2700.0, "pipeline": 2300.0, "engine": 300.0, "marshmallow": 0.0, "writing": 30.0}
    found = parts.split(full, {"app": 150.0, "reader": 60.0})
    assert sum(microseconds for microseconds, _ in found.values()) == full["whole"]
    assert [microseconds for microseconds, _ in found.values()] == [300, 90, 280, 2000, 300, 0, 30]


def test_a_clock_changes_nothing_but_a_header() -> None:
    class Owner:
        def work(self, text: str) -> bytes:
            return text.upper().encode()

    owner = Owner()

    def plain(_environ: Any, start_response: Any) -> list[bytes]:
        start_response("200 OK", [("Content-Type", "text/plain")])
        return [owner.work("once"), owner.work(text="more")]

    timed.clock(owner, "work", "work")
    answer = WsgiClient(timed.tell(plain)).get("/")
    told = json.loads(answer.headers.pop(timed.HEADER))
    assert (answer.status_code, answer.data) == (200, b"ONCEMORE")
    assert [name for name, _ in answer.headers] == ["Content-Type"]
    assert 0 <= told["work"] <= told["app"]


# ---------------------------------------------------------------- what is sent


@pytest.mark.parametrize("size", growth.ITEMS)
def test_grown_episodes_are_as_large_as_they_say_and_are_read(size: int) -> None:
    document = growth.grown(size)
    assert timed_items(document) == size
    assert episode_json.read(json.dumps(document).encode()).episode.episode_ref == f"grown-{size}"


def test_charts_in_other_formats_hold_the_episode() -> None:
    document = episode(60)
    whole = episode_json.from_value(document).episode
    bundle, chart = (
        fhir_reader.read(charts.fhir(document)).episode,
        nemsis_reader.Reader().read(charts.nemsis(document)).episode,
    )
    assert models.plain(bundle) == models.plain(whole)
    for name in ("vitals", "limb_checks"):
        theirs, ours = (getattr(read.monitoring, name) for read in (chart, whole))
        assert [item.time for item in theirs] == [item.time for item in ours]
    (given,) = models.plain(chart)["sedation"]["doses"]
    assert [given[name] for name in ("drug", "dose", "unit", "route")] == ["midazolam", 5.0, "mg", "im"]


@pytest.mark.parametrize("number", [50, 327, 500])
def test_some_rules_have_ids_of_their_own(number: int) -> None:
    chosen = growth.some_rules(pipeline(), number)
    assert len({bound.rule.id for bound in chosen}) == len(chosen) == number


def test_the_slope_of_what_is_linear_and_of_what_is_not() -> None:
    for power in (1.0, 2.0):
        points = [growth.Point(size, 0.0, (size**power, size**power), 0) for size in (10, 100, 1000)]
        assert growth.exponent(points, 10) == pytest.approx(power)


# ---------------------------------------------------------------- the figures


def test_the_figures_have_their_place() -> None:
    text = FIGURES.read_text("utf-8")
    assert put(text, MARK, between(text, MARK)) == text
