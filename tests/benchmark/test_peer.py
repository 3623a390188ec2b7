"""The peer finds what the service finds. Skipped where its packages are not installed (extra: benchmark)."""

from __future__ import annotations

import asyncio
import functools
import json
import random
from typing import TYPE_CHECKING, Any

import pytest

from service.facts.fact import Fact
from service.intake import episode_json
from service.problems import Rejected
from service.rulebook.examples import fact_examples
from tests.benchmark.episodes import SIZES, episode, variants
from tests.benchmark.models import plain
from tests.benchmark.stages import Subject
from tests.engine.real import subject as real_rules
from tests.engine.sheets import random_sheet
from tests.support.mutate import mutated
from tests.support.pipeline import demo, demo_names, pipeline

if TYPE_CHECKING:
    from tests.benchmark.peer import Peer

for module in ("fastapi", "uvicorn", "uvloop", "httptools", "pydantic", "zen"):
    pytest.importorskip(module, reason=f"{module} is not installed (extra: benchmark)")

#: Of the rulebook, the rules that the peer cannot express: none.
NOT_EXPRESSED: set[str] = set()
#: Members that the peer does not read.
ASIDE = {"not_collected", "accepted", "extensions"}


@functools.cache
def peer() -> Peer:
    from tests.benchmark.peer import Peer

    return Peer()


def told(fact: Fact, names: frozenset[str]) -> tuple[Any, ...]:
    """All that a fact says, of its attributes those with one of the names."""
    values = {name: value for name, value in fact.values.items() if name in names}
    return fact.kind, fact.key, fact.pointers, fact.span, values, {name: fact.state(name) for name in names}


def compare(document: dict[str, Any]) -> int:
    """Hold the peer's record, facts and findings against the service's; the number of findings."""
    from tests.benchmark import peer_reading

    body = json.dumps(document).encode()
    intake = episode_json.read(body)
    mine, theirs = peer(), Subject(pipeline())
    read = peer_reading.read(body)
    assert plain(read) == plain(intake.episode)
    own, sheet = mine.facts(read), theirs.pipeline.facts(intake.episode)
    for a, b in zip(own.facts, sheet.facts, strict=True):
        assert told(a, mine.asked.of(a.kind)) == told(b, mine.asked.of(b.kind))
    decided = theirs.decider.decide(sheet)
    found = {
        (theirs.decider.rules[number].rule.id, index, tuple(place.pointer for place in sheet.facts[index].pointers))
        for number, indexes in decided.found.items()
        for index in indexes
    }
    fired = mine.fire(own.facts)
    shown = [
        (mine.bound[number].rule.id, index, tuple(place.pointer for place in own.facts[index].pointers))
        for number, index in fired
    ]
    assert len(set(shown)) == len(shown)
    assert set(shown) == found
    answer = json.loads(mine.answer(read, own, fired))
    listed = {
        (finding["rule"], tuple(one["pointers"])) for finding in answer["findings"] for one in finding["instances"]
    }
    assert listed == {(rule, where) for rule, _, where in found}
    assert sum(len(finding["instances"]) for finding in answer["findings"]) == len(found)
    assert answer["rules"] == {
        "finding": len(decided.found),
        "no_finding": len(theirs.decider.rules) - len(decided.found),
    }
    return len(found)


def test_all_rules_are_expressed() -> None:
    assert {bound.rule.id for bound in peer().bound} | NOT_EXPRESSED == {rule.id for rule in pipeline().rulebook.rules}


@pytest.mark.parametrize("size", SIZES)
def test_the_same_findings_for_the_benchmark_episodes(size: int) -> None:
    for document in (episode(size), *variants(episode(size), 3)):
        found = compare(document)
        assert found > 5
        answer = json.loads(peer().review(json.dumps(document).encode()))
        assert sum(len(finding["instances"]) for finding in answer["findings"]) == found


def test_the_same_findings_for_the_demo_episodes() -> None:
    documents = [document for document in map(demo, demo_names()) if not document.keys() & ASIDE]
    assert len(documents) >= 4
    assert sum(map(compare, documents)) > 50


def test_the_same_findings_for_hundreds_of_variants() -> None:
    rng, compared, found = random.Random(11), 0, 0
    bases = [episode(SIZES[0]), *(document for document in map(demo, demo_names()) if not document.keys() & ASIDE)]
    while compared < 300:
        document = mutated(rng.choice(bases), rng.randrange(10**6), rng.randint(1, 12))
        try:
            episode_json.read(json.dumps(document).encode())
        except Rejected:
            continue
        found += compare(document)
        compared += 1
    assert found > 3000


def test_the_same_findings_in_random_facts() -> None:
    """Facts of every kind with any values: so that nearly every rule finds something."""
    decider, catalogue, literals = real_rules()
    rng, rules = random.Random(5), set()
    for _ in range(40):
        sheet = random_sheet(rng, catalogue, literals)  # type: ignore[arg-type]
        fired = decider._fence.fire(sheet.facts)
        assert set(peer().fire(sheet.facts)) == fired
        rules |= {number for number, _ in fired}
    assert len(rules) > 150


def test_every_rule_finds_what_its_own_examples_say() -> None:
    book = pipeline().rulebook
    numbers = {bound.rule.id: number for number, bound in enumerate(peer().bound)}
    found = set()
    for rule in book.rules:
        for example in fact_examples(rule, book.vocabulary):
            if example.default_numbers:
                fired = (numbers[rule.id], 0) in peer().fire([example.fact])
                assert fired == (example.expect == "finding"), rule.id
                found |= {rule.id} if fired else set()
    assert len(found) == len(numbers)


def test_what_is_wrong_is_refused_over_http() -> None:
    from tests.benchmark.peer import app

    made = app()

    def post(document: Any) -> tuple[int, Any]:
        said: list[Any] = []

        async def receive() -> dict[str, Any]:
            return {"type": "http.request", "body": json.dumps(document).encode(), "more_body": False}

        async def send(message: Any) -> None:
            said.append(message)

        scope = {"type": "http", "method": "POST", "path": "/v1/reviews", "headers": [], "query_string": b""}
        asyncio.run(made(scope, receive, send))
        return said[0]["status"], json.loads(said[1]["body"])

    status, answer = post(episode(60))
    assert (status, answer["rules"]["finding"]) == (200, 5)
    for wrong in ({"patient": {"weight_kg": -1}}, {"no_such_member": 1}, {"transport": {"arrived": "2031-08-14T10:00:00"}}, {"transport": {"arrived": "2031-08-14T25:00:00Z"}}, {"narrative": 5}, {"patient": {"sex": "x"}}, {"episode_ref": "a b"}, {"patient": {"sex": {"absent": "lost"}}}, {"custody": {"none": False}}):  # fmt: skip
        status, answer = post({"episode_ref": "a", **wrong})
        assert (status, bool(answer)) == (422, True)
