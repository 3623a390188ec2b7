"""What people answered to cards (https://cds-hooks.hl7.org/2.0/, "Feedback")."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from service.formats.fhir.profile import system
from service.intake import strict_json
from service.problems import ProblemItem

from .parts import item, member, refuse, text, uuid

#: Code of a reason -> its text. None changes a finding, and none invites anybody to change a charted danger.
REASONS = {
    "charted-elsewhere": "It stands elsewhere in the record",
    "not-applicable": "It does not apply to this patient",
    "late-entry": "What was done will be added as a late entry",
    "passed-on": "Told to the receiving clinician or to review",
    "finding-wrong": "The finding is wrong",
}
_TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{1,9})?(Z|[+-]\d\d:\d\d)", re.ASCII)


@dataclass(frozen=True, slots=True)
class Feedback:
    """What a feedback request says, counted. Comments, cards and times are not kept.

    ``reasons``: our own code, or ``other``, -> how often it was given.
    """

    accepted: int
    overridden: int
    reasons: Mapping[str, int]


def read_feedback(body: bytes) -> Feedback:
    """Read the body of ``POST /cds-services/restraint-review/feedback``.

    Whether a card was ever shown cannot be checked: the service keeps nothing.
    Raises Rejected: 400 not JSON; 422 ``invalid-feedback``.
    """
    value = strict_json.loads(body)
    listed = member(value, "feedback")
    if type(value) is not dict or type(listed) is not list or not listed:
        place = "" if type(value) is not dict else "/feedback"
        code = "not-an-object" if not place else "not-a-list" if "feedback" in value else "missing-member"
        refuse("invalid-feedback", [item(code, place)])
    slips: list[ProblemItem] = []
    outcomes: Counter[str] = Counter()
    reasons: Counter[str] = Counter()
    for number, entry in enumerate(listed):
        at = f"/feedback/{number}"
        if type(entry) is not dict:
            slips.append(item("not-an-object", at))
            continue
        before = len(slips)
        reason = _read_answer(entry, at, slips)
        if len(slips) == before:
            outcomes[entry["outcome"]] += 1
            if reason:
                reasons[reason] += 1
    if slips:
        refuse("invalid-feedback", slips)
    return Feedback(outcomes["accepted"], outcomes["overridden"], dict(sorted(reasons.items())))


def _read_answer(entry: Mapping[str, Any], at: str, slips: list[ProblemItem]) -> str | None:
    """Add to ``slips`` what is wrong with one answer; the code of its reason, ``other`` for one that is not ours, or None."""
    uuid(entry, "card", at, slips)
    outcome = entry.get("outcome")
    if outcome not in ("accepted", "overridden"):
        slips.append(item("unknown-outcome" if "outcome" in entry else "missing-member", f"{at}/outcome"))
    if "outcomeTimestamp" not in entry:
        slips.append(item("missing-member", f"{at}/outcomeTimestamp"))
    elif not _is_time(entry["outcomeTimestamp"]):
        slips.append(item("not-a-time", f"{at}/outcomeTimestamp"))
    taken = entry.get("acceptedSuggestions")
    sent = "acceptedSuggestions" in entry
    if type(taken) is not list and (sent or outcome == "accepted"):
        slips.append(item("not-a-list" if sent else "missing-member", f"{at}/acceptedSuggestions"))
    for number, each in enumerate(taken if type(taken) is list else ()):
        uuid(each if type(each) is dict else {}, "id", f"{at}/acceptedSuggestions/{number}", slips)
    if "overrideReason" not in entry:
        return None
    given = entry["overrideReason"]
    if type(given) is not dict:
        slips.append(item("not-an-object", f"{at}/overrideReason"))
        return None
    if "userComment" in given and type(given["userComment"]) is not str:
        slips.append(item("not-text", f"{at}/overrideReason/userComment"))
    if "reason" not in given:
        return None
    reason = given["reason"]
    if type(reason) is not dict:
        slips.append(item("not-an-object", f"{at}/overrideReason/reason"))
        return None
    text(reason, "code", f"{at}/overrideReason/reason", slips)
    ours = reason.get("system") == system("override-reason")
    return str(reason["code"]) if ours and reason.get("code") in REASONS else "other"


def _is_time(value: Any) -> bool:
    if type(value) is not str or not _TIME.fullmatch(value):
        return False
    try:
        datetime.fromisoformat(value)
    except ValueError:
        return False
    return True
