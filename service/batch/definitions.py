"""What is measured: every rule, every published list or interval that rules answer, performance measures, times.

Rules and published facts come from the rulebook and are not named here. What a
record says about one measure is one of the outcomes of a rule, or ``off`` for a
rule that the profile has switched off.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import TypeVar

from service.episode.absence import NOT_COLLECTED, Absent
from service.episode.common import V
from service.episode.pointers import first_time
from service.episode.record import Complication, Episode, Injury
from service.facts import intervals
from service.facts.fact import NOT_COLLECTED as NOWHERE
from service.facts.fact import RECORDED, FactSheet
from service.review.build import Review
from service.rulebook.load import Rulebook

Harm = TypeVar("Harm", Injury, Complication)

CLEAR, FINDING, NOT_APPLICABLE, NOT_ASSESSABLE, ERROR, OFF = OUTCOMES = (
    "clear", "finding", "not_applicable", "not_assessable", "error", "off",
)  # fmt: skip
#: The outcome of a measure is the first of these that one of its rules has.
_FIRST = (ERROR, FINDING, NOT_ASSESSABLE, CLEAR, NOT_APPLICABLE, OFF)
#: Families of published facts that are measures: lists of what to chart, intervals of checks and vital signs, monitoring.
_PUBLISHED = ("AUD", "DOC", "CMS", "VS", "MON")
_COMPLETENESS = "completeness"
#: The source of the performance measures (from memory: its full text was not at hand).
_PERFORMANCE_SOURCE = {"key": "nasemso-2022", "locator": "Performance measures", "confidence": "memory"}


@dataclass(frozen=True, slots=True)
class Measure:
    """One rate. ``counts`` names the outcome that is its numerator.

    ``clear``: the title says what is achieved, and more is good. ``finding``: the
    title says what is wrong or what harm came, and fewer is good.
    """

    id: str
    kind: str
    title: str
    counts: str
    rules: tuple[str, ...]
    source: Mapping[str, str]
    category: str = ""
    phase: str = ""
    severity: str = ""
    concern: str = ""

    @property
    def good(self) -> str:
        """Which direction is good: more or fewer."""
        return "more" if self.counts == CLEAR else "fewer"

    @property
    def is_harm(self) -> bool:
        """Whether it counts harm: then cases and the time between them say more than a rate."""
        return self.kind == "harm" or (self.category == "safety" and self.concern == "arrest_or_death")


def measures_of(book: Rulebook) -> tuple[Measure, ...]:
    """Every rate, in a fixed order: rules by id, published facts by id, the performance measures of the national guidelines."""
    made = [
        Measure(r.id, "rule", r.title, FINDING, (r.id,), {}, r.category, r.phase, r.severity, r.concern)
        for r in sorted(book.rules, key=lambda r: r.id)
    ]
    for key in sorted(book.facts):
        if key.split("-")[0] in _PUBLISHED:
            answering = [rule for rule in book.rules if key in rule.answers]
            # Whether something is charted and what it shows are two questions. Where there are completeness rules, they count alone.
            asked = [rule for rule in answering if rule.category == _COMPLETENESS] or answering
            if asked:
                fact = book.facts[key]
                source = {"key": str(fact["source"]), "locator": key, "confidence": str(fact["confidence"])}
                ids = tuple(sorted(rule.id for rule in asked))
                made.append(Measure(key, "published", str(fact["says"]), CLEAR, ids, source))
    made += [
        Measure(id_, "performance" if counts == CLEAR else "harm", title, counts, (), _PERFORMANCE_SOURCE)
        for id_, title, counts, _ in _PERFORMANCE
    ]
    return tuple(made)


def outcomes(measures: tuple[Measure, ...], review: Review) -> Iterator[str]:
    """The outcome of one record for each measure, in their order."""
    of_rule = review.outcomes
    asks = {id_: ask for id_, _, _, ask in _PERFORMANCE}
    for measure in measures:
        if measure.id in asks:
            yield asks[measure.id](review.intake.episode, review.sheet)
        else:
            seen = {of_rule.get(rule, OFF) for rule in measure.rules}
            yield next(outcome for outcome in _FIRST if outcome in seen)


# ---------------------------------------------------------------- performance measures


def _any(items: V[tuple[Harm, ...]], wanted: Callable[[Harm], bool]) -> str:
    """Finding where an item is as wanted, clear where the list is charted and none is, else not assessable."""
    if isinstance(items, Absent):
        return NOT_ASSESSABLE
    if any(wanted(item) for item in items):
        return FINDING
    return NOT_ASSESSABLE if any(isinstance(item, Injury) and item.when == "unknown" for item in items) else CLEAR


def _in_care(item: Injury) -> bool:
    return item.when in ("during_restraint", "transport")


def _injured(listed: Callable[[Episode], V[tuple[Injury, ...]]]) -> Callable[[Episode, FactSheet], str]:
    def ask(episode: Episode, _: FactSheet) -> str:
        items = listed(episode)
        if not isinstance(items, Absent) and any(isinstance(item.when, Absent) for item in items):
            return FINDING if any(_in_care(item) for item in items) else NOT_ASSESSABLE
        return _any(items, _in_care)

    return ask


def _injured_on_the_way(episode: Episode, _: FactSheet) -> str:
    harmed = episode.injuries
    lists = (harmed.patient, harmed.crew, harmed.others)
    every = [item for items in lists if not isinstance(items, Absent) for item in items]
    if any(item.when == "transport" for item in every):
        return FINDING
    if any(isinstance(items, Absent) for items in lists) or any(
        isinstance(item.when, Absent) or item.when == "unknown" for item in every
    ):
        return NOT_ASSESSABLE
    return NOT_APPLICABLE if episode.transport.transported is False else CLEAR


def _complications(episode: Episode, _: FactSheet) -> str:
    return _any(episode.injuries.complications, lambda item: True)


def _death(episode: Episode, _: FactSheet) -> str:
    died = episode.injuries.death.died
    return NOT_ASSESSABLE if isinstance(died, Absent) else FINDING if died else CLEAR


def _police_charted(episode: Episode, _: FactSheet) -> str:
    present = episode.custody.law_enforcement_present
    if isinstance(present, Absent):
        return NOT_ASSESSABLE if present == NOT_COLLECTED else FINDING
    return CLEAR


def _police_early(episode: Episode, sheet: FactSheet) -> str:
    present = episode.custody.law_enforcement_present
    if present is False:
        return NOT_APPLICABLE
    arrived, restrained = episode.custody.arrived.epoch, sheet.facts[0].span
    if isinstance(present, Absent) or arrived is None or restrained is None:
        return NOT_ASSESSABLE
    return CLEAR if arrived <= restrained[0] else FINDING


_PERFORMANCE: tuple[tuple[str, str, str, Callable[[Episode, FactSheet], str]], ...] = (
    ("patient-injured", "An injury of the patient during restraint or transport is charted", FINDING, _injured(lambda episode: episode.injuries.patient)),
    ("crew-injured", "An injury of the crew during restraint or transport is charted", FINDING, _injured(lambda episode: episode.injuries.crew)),
    ("others-injured", "An injury of somebody else during restraint or transport is charted", FINDING, _injured(lambda episode: episode.injuries.others)),
    ("injured-on-the-way", "An injury during transport is charted", FINDING, _injured_on_the_way),
    ("complications", "A complication of restraint or sedation is charted", FINDING, _complications),
    ("death", "A death before or at transfer of care is charted", FINDING, _death),
    ("police-charted", "Whether law enforcement was on scene is charted", CLEAR, _police_charted),
    ("police-early", "Law enforcement was on scene before restraint began", CLEAR, _police_early),
)  # fmt: skip


# ---------------------------------------------------------------- times

#: Why a record has no time: no entry, cannot be assessed, does not apply.
WITHOUT, UNKNOWN, NONE = "without_entry", "not_assessable", "not_applicable"


@dataclass(frozen=True, slots=True)
class Time:
    """A time in seconds that a record may have. ``ask`` gives it, or why there is none; ``without``: what "no entry" means."""

    id: str
    title: str
    without: str
    ask: Callable[[Episode, FactSheet], int | str]


def _limb_time(attribute: str, closed: str) -> Callable[[Episode, FactSheet], int | str]:
    """The longest of all limbs; WITHOUT where a limb was never checked."""

    def ask(episode: Episode, sheet: FactSheet) -> int | str:
        found = [fact for fact in sheet.facts if fact.kind == "limb"]
        if not found:
            return NONE if sheet.drawn_from.get("limb") == RECORDED else UNKNOWN
        states = [fact.state("checks") for fact in found]
        if NOWHERE in states or any(fact.values.get("on_charted") is not True for fact in found):
            return UNKNOWN
        if any(state != RECORDED for state in states):
            return WITHOUT
        if any(name not in fact.values for fact in found for name in (attribute, closed)):
            return UNKNOWN
        return max(int(fact.values[attribute]) for fact in found)

    return ask


def _gap(*monitors: str) -> Callable[[Episode, FactSheet], int | str]:
    """The longest time without an entry, of those monitors for which there was a duty."""

    def ask(episode: Episode, sheet: FactSheet) -> int | str:
        found = [fact for fact in sheet.facts if fact.kind == "gap" and fact.key in monitors]
        due = [fact for fact in found if fact.values.get("due") is True]
        if not due:
            return NONE
        if any(fact.state("entries_charted") == NOWHERE for fact in due):
            return UNKNOWN
        if any(fact.values.get("entries_charted") is not True for fact in due):
            return WITHOUT
        if any("longest_gap_sure" not in fact.values for fact in due):
            return UNKNOWN
        return max(int(fact.values["longest_gap"]) for fact in due)

    return ask


def _prone(episode: Episode, sheet: FactSheet) -> int | str:
    """Time face down in this unit's care; from contact on where the patient was found so."""
    if sheet.drawn_from.get("posture") != RECORDED:
        return UNKNOWN
    spans, contact = [], episode.transport.at_patient.epoch
    for fact in sheet.facts:
        if fact.kind == "posture" and fact.key == "prone":
            if fact.span is None or fact.values.get("end_charted") is not True:
                return UNKNOWN
            if fact.values.get("found_so") is True and contact is None:
                return UNKNOWN
            spans.append(fact.span)
    seen = intervals.length(intervals.union(intervals.clip(spans, contact, None)))
    return seen if spans else NONE


def _capnography(episode: Episode, sheet: FactSheet) -> int | str:
    whole = sheet.facts[0]
    sedated = whole.values.get("ep_sedated")
    if sedated is False:
        return NONE
    seen = whole.values.get("etco2_after_sedation")
    if sedated is None or seen is None:
        return UNKNOWN
    return int(whole.values["first_etco2_after_sedation"]) if seen else WITHOUT


_NEVER_CHECKED = "a restrained limb without any check charted"
TIMES: tuple[Time, ...] = (
    Time("first-limb-check", "From a limb secured to its first check, the slowest limb of each record", _NEVER_CHECKED, _limb_time("first_check", "first_check_sure")),
    Time("limb-check-gap", "Longest time between two checks of one limb", _NEVER_CHECKED, _limb_time("longest_gap", "longest_gap_sure")),
    Time("vital-signs-gap", "Longest time between two sets of vital signs", "no set charted", _gap("vitals", "vitals_sedated")),
    Time("observation-gap", "Longest time without charted observation", "no observation charted", _gap("observation")),
    Time("capnography-gap", "Longest time without capnography", "no capnography charted", _gap("capnography")),
    Time("oximetry-gap", "Longest time without oximetry", "no oximetry charted", _gap("oximetry")),
    Time("ecg-gap", "Longest time without ECG after a sedative", "no ECG charted", _gap("ecg")),
    Time("prone", "Time face down in this unit's care, where any is charted", "", _prone),
    Time("capnography-after-sedation", "From the first sedative to the first capnography", "sedated, and no capnography charted after it", _capnography),
)  # fmt: skip


# ---------------------------------------------------------------- when

#: A record without any time.
UNDATED = ""


def day_of(review: Review) -> date | None:
    """The day, in the record's own offset, on which the chart was closed, else of its last time; None without any time."""
    closed = review.sheet.closed
    if closed is None:
        return None
    first = first_time(review.intake.episode)
    offset = (first.when.utcoffset() if first else None) or timedelta(0)
    return (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=closed) + offset).date()


def period(day: date | None, length: str) -> str:
    """The period of a day: ``2031-04`` for month, ``2031-W15`` (ISO 8601) for week, or UNDATED."""
    if day is None:
        return UNDATED
    if length == "week":
        year, week, _ = day.isocalendar()
        return f"{year:04d}-W{week:02d}"
    return f"{day.year:04d}-{day.month:02d}"
