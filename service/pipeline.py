"""From bytes to a review: read, make facts, decide, put together. Pure once it is built.

Built once before processes are forked: the rulebook is read, every profile is
bound and compiled for the engine, and the rules' own examples are run through
both deciders before anybody is served.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace
from pathlib import Path

from service import __version__
from service.checkpoint import Checkpoint, never
from service.engine.decide import Decider
from service.episode.record import Episode
from service.facts.builder import Asked
from service.facts.fact import FactSheet
from service.facts.sheet import build as build_facts
from service.formats.fhir import read as fhir_reader
from service.formats.nemsis import read as nemsis_reader
from service.formats.nemsis import xsd
from service.formats.nemsis.mapping import shipped_directory
from service.intake import episode_json
from service.intake.result import Intake
from service.resources import rules_directory
from service.review.build import AT_CLOSING, Review, Wanted, ends_of_call
from service.review.build import build as build_review
from service.review.ruleset import Ruleset
from service.rulebook.examples import fact_examples
from service.rulebook.load import Rulebook, load_rulebook
from service.rulebook.profiles import bind, bind_all
from service.rulebook.rule import BoundRule

#: Version of the contract.
API_VERSION = "1.0"

JSON, FHIR, XML = "application/json", "application/fhir+json", ("application/xml", "text/xml")
#: Media types that can be read.
MEDIA_TYPES = (JSON, FHIR, *XML)


class UnknownProfile(KeyError):
    """No profile of that name is there, or reviews under it are not served."""


class Pipeline:
    """Reviews episodes under any loaded profile. Safe to share between threads."""

    def __init__(
        self,
        book: Rulebook,
        rulesets: Mapping[str, Ruleset],
        deciders: Mapping[str, Decider],
        nemsis: nemsis_reader.Reader,
    ) -> None:
        self.rulebook = book
        self._rulesets = rulesets
        self._deciders = deciders
        self._asked = asked_for(book)
        self._nemsis = nemsis

    @classmethod
    def build(
        cls,
        rules: Path | None = None,
        extra: Path | None = None,
        mappings: Path | None = None,
        schemas: Path | None = None,
        *,
        profiles: Collection[str] | None = None,
    ) -> Pipeline:
        """Load and compile. Raises RulebookError, MappingError, SchemaError or EngineError.

        ``mappings``: the agency's custom elements of NEMSIS, beside those shipped. ``schemas``: the published
        schemas, against which each document is then checked. ``profiles``: those that reviews are wanted under (all);
        UnknownProfile when one is not there.
        """
        book = load_rulebook(rules or rules_directory(), extra)
        words = book.vocabulary
        rulesets, deciders = {}, {}
        for name in book.profiles if profiles is None else profiles:
            if name not in book.profiles:
                raise UnknownProfile(name)
            profile = book.profiles[name]
            bound = bind_all(book.rules, profile, words.units)
            rulesets[name] = Ruleset.of(book, profile, bound, __version__, API_VERSION)
            deciders[name] = Decider(bound, words.catalogue, words.when_none)  # type: ignore[arg-type]
        own = (mappings,) if mappings else ()
        mapped = nemsis_reader.load_mappings(shipped_directory(), *own)
        if schemas is not None:
            xsd.load(schemas)  # a wrong folder stops the start, not the first document
        return cls(book, rulesets, deciders, nemsis_reader.Reader(mapped, schemas))

    @property
    def served(self) -> tuple[str, ...]:
        """The profiles that reviews can be asked under, in order."""
        return tuple(sorted(self._rulesets))

    def self_test(self) -> list[str]:
        """Run every rule's own examples through both deciders; the failures, one line each.

        Examples hold for default numbers. Under each profile, whose numbers may
        differ, they show only that the two deciders agree.
        """
        words = self.rulebook.vocabulary
        failures: list[str] = []
        cases, variants, variant_cases = [], [], []
        for rule in self.rulebook.rules:
            try:
                found = list(fact_examples(rule, words))
            except ValueError as error:
                failures.append(f"{rule.id}: {error}")
                continue
            if not found:
                failures.append(f"{rule.id}: no example")
            for number, example in enumerate(found):
                if example.default_numbers:
                    cases.append((rule.id, example.fact, example.expect))
                else:
                    name = f"{rule.id}#{number}"
                    variants.append(replace(example.bound, rule=replace(rule, id=name)))
                    variant_cases.append((name, example.fact, example.expect))
        defaults = bind_defaults(self.rulebook)
        default = next((decider for decider in self._deciders.values() if decider.rules == defaults), None)
        if default is None:
            default = Decider(defaults, words.catalogue, words.when_none)  # type: ignore[arg-type]
        failures += default.self_test(cases)
        if variants:
            failures += Decider(variants, words.catalogue, words.when_none).self_test(variant_cases)  # type: ignore[arg-type]
        sheet = FactSheet(tuple(fact for _, fact, _ in cases), {})
        for name, decider in self._deciders.items():
            disputed = decider.decide(sheet).disputed
            failures += [
                f"{decider.rules[number].rule.id}: deciders disagree under {name}" for number in sorted(disputed)
            ]
        return failures

    def facts(self, episode: Episode, checkpoint: Checkpoint = never, *, running: bool = False) -> FactSheet:
        """The facts of one episode. ``running``: the call is not over."""
        return build_facts(episode, self.rulebook.narrative, self._asked, checkpoint, running=running)

    def bound_rules(self, profile: str) -> list[BoundRule]:
        """Every rule with the numbers and the severity of a profile. Raises UnknownProfile."""
        if profile not in self._rulesets:
            raise UnknownProfile
        return [entry.bound for entry in self._rulesets[profile].rules.values()]

    def read(self, body: bytes, media_type: str, checkpoint: Checkpoint = never) -> Intake:
        """Read a body of one of ``MEDIA_TYPES``. Raises Rejected (400, 422), KeyError for another media type."""
        if media_type == JSON:
            return episode_json.read(body, checkpoint)
        if media_type == FHIR:
            return fhir_reader.read(body, checkpoint)
        if media_type in XML:
            return self._nemsis.read(body, checkpoint)
        raise KeyError(media_type)

    def read_all(self, body: bytes, media_type: str) -> list[nemsis_reader.ReadChart]:
        """What reads each chart of a document, in order. Raises Rejected for the document."""
        if media_type in XML:
            return self._nemsis.read_all(body)
        return [lambda checkpoint: self.read(body, media_type, checkpoint)]

    def review(
        self,
        body: bytes,
        media_type: str,
        profile: str,
        wanted: Wanted = AT_CLOSING,
        checkpoint: Checkpoint = never,
    ) -> Review:
        """Review one episode. Raises UnknownProfile, Rejected (400, 422), NotEvaluated.

        ``checkpoint`` is called as the work goes on; what it raises ends the review.
        """
        if profile not in self._rulesets:
            raise UnknownProfile
        return self.review_chart(self.read(body, media_type, checkpoint), profile, wanted, checkpoint)

    def review_chart(
        self, intake: Intake, profile: str, wanted: Wanted = AT_CLOSING, checkpoint: Checkpoint = never
    ) -> Review:
        """As ``review``, of a chart that has been read."""
        if profile not in self._rulesets:
            raise UnknownProfile
        running = wanted.stage == "open" and not ends_of_call(intake.episode)
        sheet = self.facts(intake.episode, checkpoint, running=running)
        decisions = self._deciders[profile].decide(sheet, checkpoint)
        return build_review(self._rulesets[profile], intake, sheet, decisions, wanted, checkpoint)


def asked_for(book: Rulebook) -> Asked:
    """The attributes that rules look at or that their messages name, by kind of fact."""
    out: dict[str, set[str]] = {}
    for rule in book.rules:
        names = out.setdefault(rule.about, set())
        names.update(leaf.attribute for group in (rule.applies_when, rule.fails_when) for leaf in group.leaves())
        names.update(book.texts[rule.id].attributes)
        if rule.worst_by is not None:
            names.add(rule.worst_by.attribute)
    return Asked(out)


def bind_defaults(book: Rulebook) -> tuple[BoundRule, ...]:
    """Every rule with its default numbers."""
    return tuple(bind(rule, book.vocabulary.units, {}) for rule in book.rules)
