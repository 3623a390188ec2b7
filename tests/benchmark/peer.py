"""The peer: what a good engineer would build for the same request from packages that are there for anybody.

``POST /v1/reviews`` of FastAPI behind uvicorn (uvloop, httptools): pydantic's core reads the body (``peer_reading``),
zen-engine decides the rules, orjson writes the findings. ``tests.benchmark.beside_peer`` shows it beside the service.
It is tuned to win, and no change may make it slower.

Shared with the service, as a library that both could buy: the classes of the record (``service.episode``), the facts
(``service.facts``, with the narrative's reader), the rulebook as data with its messages, and how a time is told. Of the
facts it asks only for what its rules and messages need. All rules of the rulebook can be written for zen-engine. What
can not be told there is why a rule finds nothing, so there are two outcomes. Other formats, ``not_collected``,
acceptances, digests, fingerprints, accounts of every rule, a second decider, logs and metrics are the service's alone.

How the rules are asked, each step cheaper than the one before: one expression a kind of fact, a
list of true and false; one for each word of the attribute that most of its rules ask for, with all that this word
decides worked out beforehand; what fails before what applies, because most that is asked for was done; values by
position in a bare list, because zen-engine takes a list several times faster than an object.
"""

from __future__ import annotations

import gc
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import orjson
import zen
from fastapi import FastAPI
from pydantic import ValidationError
from starlette.requests import Request
from starlette.responses import Response

from service.episode import record
from service.facts.builder import Asked
from service.facts.fact import MISSING, RECORDED, Fact, FactSheet
from service.facts.sheet import build as build_facts
from service.resources import rules_directory
from service.rulebook.load import Rulebook, load_rulebook
from service.rulebook.profiles import bind_all
from service.rulebook.rule import STATE_OPS, BoundRule, Group, Leaf
from service.wording.clock import Clock
from tests.benchmark import peer_reading
from tests.benchmark.engines import written, zen_leaf

PROFILE = "default"
Fired = list[tuple[int, int]]

# ---------------------------------------------------------------- rules


def _folded(term: Group | Leaf, attribute: str, word: str) -> Group | Leaf | bool:
    """What is left of a term for facts whose ``attribute`` is ``word``."""
    if isinstance(term, Leaf):
        if term.attribute != attribute:
            return term
        if term.op in STATE_OPS:
            return term.op == RECORDED
        return (term.value == word) == (term.op == "eq")
    every = term.mode == "all"
    left: list[Group | Leaf] = []
    for one in term.terms:
        found = _folded(one, attribute, word)
        if found is not every and isinstance(found, bool):
            return found
        if not isinstance(found, bool):
            left.append(found)
    return left[0] if len(left) == 1 else Group(term.mode, tuple(left)) if left else every


class Program:
    """Some rules of a kind of fact as one expression of zen-engine, which gives a list of true and false."""

    def __init__(self, rules: Sequence[tuple[int, Group | Leaf]]) -> None:
        leaves = [leaf for _, term in rules for leaf in (term.leaves() if isinstance(term, Group) else (term,))]
        self._values = list(dict.fromkeys(leaf.attribute for leaf in leaves if leaf.op not in STATE_OPS))
        self._states = list(dict.fromkeys(leaf.attribute for leaf in leaves if leaf.op in STATE_OPS))
        places = {name: f"$root[{place}]" for place, name in enumerate([*self._values, *(f"{s}_state" for s in self._states)])}  # fmt: skip

        def leaf(name: str, op: str, value: Any) -> str:
            recorded = value == RECORDED and name not in self._values
            return zen_leaf(places[name], op, None if recorded else value)

        texts = [written(term, leaf) for _, term in rules]
        self._numbers = [number for number, _ in rules]
        self._evaluate = zen.compile_expression(f"[{', '.join(texts)}]").evaluate

    def fire(self, index: int, fact: Fact) -> Fired:
        """(rule number, ``index``) of each rule that finds something in this fact."""
        values, states = fact.values, fact.states
        given: list[Any] = list(map(values.get, self._values))
        given += [None if name in values else states.get(name, MISSING) for name in self._states]  # None: recorded
        says = self._evaluate(given)
        return [(n, index) for n, said in zip(self._numbers, says, strict=True) if said] if True in says else []


class Rules:
    """All rules as programs: for every kind of fact an attribute, and one program for each of its words."""

    def __init__(self, rules: Sequence[BoundRule]) -> None:
        by_kind: dict[str, list[tuple[int, Group]]] = {}
        for number, bound in enumerate(rules):
            by_kind.setdefault(bound.rule.about, []).append((number, Group("all", (bound.fails, bound.applies))))
        self._kinds = {kind: self._kind(listed) for kind, listed in by_kind.items()}

    @staticmethod
    def _kind(rules: Sequence[tuple[int, Group]]) -> tuple[str, Mapping[Any, Program | None], Program | None]:
        """The attribute, the programs by its word, None among them where it is not known, and that of other words."""
        asked = [
            {leaf.attribute: None for leaf in term.leaves() if isinstance(leaf.value, str) and leaf.op in ("eq", "ne")}
            for _, term in rules
        ]
        most = Counter(name for names in asked for name in names).most_common(1)
        attribute = most[0][0] if most else ""
        words = {leaf.value for _, term in rules for leaf in term.leaves() if leaf.attribute == attribute}

        def program(word: str) -> Program | None:
            left = [(number, _folded(term, attribute, word)) for number, term in rules]
            kept = [(number, Group("all", ()) if term is True else term) for number, term in left if term is not False]
            return Program(kept) if kept else None  # type: ignore[arg-type]

        programs: dict[Any, Program | None] = {w: program(w) for w in words if isinstance(w, str)}
        programs[None] = Program(rules)
        return attribute, programs, program("")

    def fire(self, facts: Iterable[Fact]) -> Fired:
        """(rule number, index of the fact) of all that is found."""
        fired: Fired = []
        for index, fact in enumerate(facts):
            attribute, programs, others = self._kinds[fact.kind]
            program = programs.get(fact.values.get(attribute), others)
            if program is not None:
                fired += program.fire(index, fact)
        return fired


# ---------------------------------------------------------------- a review


def _asked(book: Rulebook) -> Asked:
    """The attributes that rules ask for and that their messages name, by kind of fact."""
    out: dict[str, set[str]] = {}
    for rule in book.rules:
        leaves = rule.applies_when.leaves() + rule.fails_when.leaves()
        names = out.setdefault(rule.about, set())
        names.update(leaf.attribute for leaf in leaves)
        names.update(book.texts[rule.id].message.attributes)
    return Asked(out)


class Peer:
    """Reviews bodies of JSON. Built once."""

    def __init__(self) -> None:
        self._book = load_rulebook(rules_directory(), None)
        self.bound = bind_all(self._book.rules, self._book.profiles[PROFILE], self._book.vocabulary.units)
        self.asked = _asked(self._book)
        self._messages = [self._book.texts[bound.rule.id].message for bound in self.bound]
        ranks = self._book.vocabulary.severities
        self._order = [(ranks.index(bound.severity), number) for number, bound in enumerate(self.bound)]
        self._heads = [
            {
                "rule": bound.rule.id,
                "severity": bound.severity,
                "title": bound.rule.title,
                "remediation": bound.rule.remediation,
            }
            for bound in self.bound
        ]
        self.fire = Rules(self.bound).fire

    def facts(self, episode: record.Episode) -> FactSheet:
        """The facts of an episode."""
        return build_facts(episode, self._book.narrative, self.asked)

    def answer(self, episode: record.Episode, sheet: FactSheet, fired: Fired) -> bytes:
        """The findings, the gravest first, and the count of rules by outcome, as JSON."""
        clock, facts = Clock(episode, sheet.began), sheet.facts
        found: dict[int, list[dict[str, Any]]] = {}
        for number, index in fired:
            fact = facts[index]
            at = clock.text(fact.span[0]) if fact.span else ""
            message = self._messages[number].render(fact.values, self.bound[number].values, at)
            pointers = [place.pointer for place in fact.pointers]
            found.setdefault(number, []).append({"message": message, "pointers": pointers})
        document = {
            "episode_ref": episode.episode_ref,
            "rules": {"finding": len(found), "no_finding": len(self.bound) - len(found)},
            "findings": [
                {**self._heads[number], "instances": found[number]}
                for number in sorted(found, key=self._order.__getitem__)
            ],
        }
        return orjson.dumps(document)

    def review(self, body: bytes) -> bytes:
        """The answer to one body. Raises pydantic's ValidationError."""
        episode = peer_reading.read(body)
        sheet = self.facts(episode)
        return self.answer(episode, sheet, self.fire(sheet.facts))


# ---------------------------------------------------------------- over HTTP


def app() -> FastAPI:
    """The application. Its routes are Starlette's: FastAPI's own would read the body a second time."""
    peer = Peer()
    made = FastAPI(openapi_url=None)

    async def reviews(request: Request) -> Response:
        try:
            return Response(peer.review(await request.body()), media_type="application/json")
        except ValidationError as error:
            return Response(error.json(include_input=False, include_url=False), 422, media_type="application/json")

    async def ready(_: Request) -> Response:
        return Response(b"{}", media_type="application/json")

    made.add_route("/v1/reviews", reviews, ["POST"])
    made.add_route("/health/ready", ready)
    return made


def served() -> FastAPI:
    """The same for a process of its own."""
    made = app()
    gc.collect()
    gc.freeze()
    gc.set_threshold(100_000, 50, 100)
    return made
