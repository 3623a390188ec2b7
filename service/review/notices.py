"""Notices: what the caller or the reader should know about a review that is not a finding.

Codes are an open list: the contract names those that are known, and a client
keeps one that it does not know.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from service.facts.fact import FactSheet
from service.intake.result import Intake
from service.rulebook.rule import Profile, SwitchOff
from service.wording.clock import Clock
from service.wording.headings import count

from .findings import MOST_INSTANCES, Finding
from .places import order_of
from .standing import Matched

Notice = dict[str, Any]


def notice(code: str, severity: str, text: str, pointers: Sequence[str] = ()) -> Notice:
    """One notice. ``pointers``: places in the document that was sent."""
    return {"code": code, "severity": severity, "text": text, "pointers": list(pointers)}


def of_reading(intake: Intake) -> list[Notice]:
    """How the body was read."""
    return [notice(n.code, "info", n.detail, [n.pointer]) for n in intake.notices]


def of_switches(profile: Profile, closed: int | None, clock: Clock) -> tuple[dict[str, SwitchOff], list[Notice]]:
    """(rule id -> switch-off that holds on the record's own day, notices about those that have ended)."""
    off: dict[str, SwitchOff] = {}
    ended = []
    for switch in profile.off:
        if closed is not None and clock.day_of(closed) <= switch.ends:
            off[switch.rule] = switch
        else:
            text = f"{switch.rule} was switched off until {switch.ends}; it is on for this record."
            ended.append(notice("switch-off-ended", "info", text))
    return off, ended


def of_deciders(disputed: Iterable[str], failed: Iterable[str]) -> list[Notice]:
    """Rules on which engine and evaluator disagree, and rules that could not be decided."""
    dispute = "Engine and evaluator disagree about {}; its findings are shown and marked disputed. Please report it."
    out = [notice("deciders-disagree", "critical", dispute.format(rule)) for rule in disputed]
    return out + [
        notice("rule-error", "critical", f"{rule} could not be decided. Please report it.") for rule in failed
    ]


def of_stage(ends: Sequence[str], intake: Intake) -> list[Notice]:
    """A call that the caller takes for running, and that is over by the record. ``ends``: where it says so."""
    text = "The record says that the call is over, so it was reviewed as at closing."
    return [notice("call-is-over", "info", text, [intake.locate(end) for end in ends])] if ends else []


def of_acceptances(matched: Matched, given: int) -> list[Notice]:
    """Acceptances of what cannot be accepted, and of what is not found."""
    out = [
        notice(
            "not-acceptable", "warning", f"A finding of {rule} cannot be accepted; it stands.", [f"/accepted/{place}"]
        )
        for place, rule in sorted(matched.refused.items())
    ]
    unused = [f"/accepted/{place}" for place in range(given) if place not in matched.used]
    if unused:
        hold = len(matched.used) - len(matched.refused)
        text = (
            f"{count(len(unused), 'acceptance')} of {given} match no finding of this review: the finding has gone, its "
            f"entry has another id, or its rule was replaced. {hold} still hold."
        )
        out.append(notice("acceptance-unused", "info", text, unused))
    return out


def of_lost_ids(findings: Iterable[Finding], intake: Intake) -> list[Notice]:
    """List items without an id, to which findings point that could be accepted if they had one."""
    places = {
        place.item
        for finding in findings
        if finding.entry.bound.severity != "critical" and not finding.entry.rule.locked
        for one in finding.instances
        if not one.acceptable
        for place in one.places
        if place.item is not None and place.item_id is None
    }
    if not places:
        return []
    without_ids = list(dict.fromkeys(intake.locate(place) for place in sorted(places, key=order_of)))
    text = (
        "These list items have no id: findings about them cannot be accepted, and acceptances may be lost. "
        "Give every list item an id that it keeps."
    )
    return [notice("items-without-ids", "info", text, without_ids)]


def of_cut(findings: Iterable[Finding]) -> list[Notice]:
    """Rules with more instances than are listed."""
    out = []
    for finding in findings:
        left = len(finding.instances) - MOST_INSTANCES
        if left > 0:
            text = f"{left} more places of {finding.entry.rule.id} are not listed; the worst {MOST_INSTANCES} are."
            out.append(notice("instances-left-out", "warning", text))
    return out


def of_amount(rules: int, not_assessable: int) -> list[Notice]:
    """That most of the rules cannot be assessed."""
    if not_assessable * 2 <= rules:
        return []
    return [
        notice("mostly-not-assessable", "warning", "More than half of the rules cannot be assessed from this record.")
    ]


def of_what_falls_due(sheet: FactSheet) -> list[Notice]:
    """Duties that fall due after closing. They are never findings."""
    if not sheet.facts[0].values.get("destination_duty_due"):
        return []
    text = "Where local policy asks for it: the record to the hospital within 2 h, review by the medical director within 24 h of sedation."
    return [notice("due-after-closing", "info", text)]
