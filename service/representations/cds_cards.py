"""CDS Hooks 2.0 (https://cds-hooks.hl7.org/2.0/): discovery and cards.

Cards advise; none holds a suggestion or an action, for nobody but the author
writes in a chart.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any

import orjson

from service.checkpoint import Checkpoint, never
from service.formats.cds_hooks.feedback import REASONS
from service.formats.cds_hooks.request import CHART_CLOSE, DISCHARGE, PREFETCH, SERVICE_ID, HookRequest
from service.formats.fhir.profile import system
from service.review.build import Review
from service.wording.headings import count, sentence
from service.wording.words import word

from .operation_outcome import name_of
from .texts import cause, counted, every_place, limits, messages, rules_by_outcome, sources


def discovery() -> bytes:
    """The answer of ``GET /cds-services`` in UTF-8: one service under two hooks."""
    about = (
        "Reads the charting of a restraint episode and says what is missing, what shows a danger and what disagrees. "
        "It supports review, is not a medical device and gives no medical or legal advice; "
        "local protocol and medical direction always win."
    )
    usage = (
        "Meant for encounters with a restraint; for others, in which nothing tells of one, there are no cards. "
        "No FHIR server is called: "
        "without patient, encounter, procedures, medications and observations, each whole and in one page, or null "
        "for none, the answer is 412. "
    )
    chart = (
        "In place of prefetch the context may hold the whole chart: episode (JSON as in /openapi.yaml) or bundle "
        "(a FHIR R4 Bundle). "
    )
    services = [
        {
            "hook": hook,
            "id": SERVICE_ID,
            "title": "Restraint episode review",
            "description": about,
            "prefetch": PREFETCH,
            "usageRequirements": usage + more,
        }
        for hook, more in ((DISCHARGE, ""), (CHART_CLOSE, chart))
    ]
    return orjson.dumps({"services": services})


#: Characters of a card's summary (CDS Hooks 2.0, "Card Attributes": under 140).
_LONGEST_SUMMARY = 139
#: Category of a finding -> codes of the reasons that a person may give for setting its card aside.
_ANSWERS = {
    "completeness": ("charted-elsewhere", "not-applicable", "late-entry", "finding-wrong"),
    "safety": ("passed-on", "not-applicable", "finding-wrong"),
    "consistency": ("passed-on", "not-applicable", "finding-wrong"),
}
_MARKS = re.compile(r"([\\`*_\[\]<>#|~])")


#: Code of the refusal that is answered with no cards. A hook fires for every encounter of its kind, and clients show a
#: refusal as a fault; a service with nothing to say answers an empty array (CDS Hooks 2.0, "CDS Service Response").
NOTHING_TO_SAY = "no-restraint"


def no_cards() -> bytes:
    """The answer for an encounter in which nothing tells of a restraint, in UTF-8."""
    return orjson.dumps({"cards": []})


def render(review: Review, request: HookRequest, base_url: str | None = None, checkpoint: Checkpoint = never) -> bytes:
    """The cards of a review, in UTF-8.

    One for each critical finding and each warning of safety or consistency, a
    story on one card with its worst finding first; one for each critical danger
    that stays unjudged; one for all other warnings, which are about missing
    documentation; and always a last one that accounts for every rule.
    ``base_url``: where this service is reached, for links; without it there are none.
    """
    document = review.document
    cards, told = [], set()
    alone = [finding for finding in document["findings"] if _alone(finding)]
    for finding in alone:
        story = finding["story"]
        if story is not None and story in told:
            continue
        told.add(story)
        related = [other for other in alone if story is not None and other is not finding and other["story"] == story]
        cards.append(_finding_card(finding, related, review, request, base_url))
    cards += [_unjudged_card(entry, review, request, base_url) for entry in document["unjudged"] if "tell_now" in entry]
    missing = [finding for finding in document["findings"] if finding["severity"] == "warning" and not _alone(finding)]
    if missing:
        cards.append(_missing_card(missing, review, request, base_url))
    cards.append(_account_card(review, request, base_url))
    return orjson.dumps({"cards": cards})


def _alone(finding: Mapping[str, Any]) -> bool:
    severity = finding["severity"]
    return bool(severity == "critical" or (severity == "warning" and finding["category"] != "completeness"))


def _card(
    document: Mapping[str, Any], what: str, summary: str, indicator: str, detail: Iterable[str], base_url: str | None
) -> dict[str, Any]:
    source = {"label": "restraint-review"} | ({} if base_url is None else {"url": base_url})
    return {
        "uuid": name_of(document, what),
        "summary": summary if len(summary) <= _LONGEST_SUMMARY else summary[: _LONGEST_SUMMARY - 1] + "\u2026",
        "indicator": indicator,
        "source": source,
        "detail": "\n\n".join(detail),
    }


def _finding_card(
    finding: Mapping[str, Any],
    related: list[Mapping[str, Any]],
    review: Review,
    request: HookRequest,
    base_url: str | None,
) -> dict[str, Any]:
    told = dict.fromkeys(each["tell_now"] for each in (finding, *related) if "tell_now" in each)
    detail = [f"**{_plain(text)}**" for text in told]
    detail += [_plain(said) for said in messages(finding)]
    detail += [_plain(finding["remediation"]), f"Why: {_plain(finding['why'])}"]
    if _disputed(finding):
        detail.append("Disputed: the two deciders disagree about it; it is shown all the same.")
    if finding["parameters"]:
        detail.append(f"Limits: {_plain(limits(finding))}.")
    detail.append(_places(finding, review, request))
    detail.append(f"Sources: {_plain(sources(finding))}. Local protocol and medical direction win.")
    if related:
        detail.append("Belongs to the same course of events:")
        detail.append("\n".join(_bullet(each, review, request) for each in related))
    card = _card(review.document, f"finding:{finding['key']}", finding["title"], finding["severity"], detail, base_url)
    topic = {"system": system("phase"), "code": finding["phase"], "display": word(finding["phase"])}
    card["source"]["topic"] = topic
    card["overrideReasons"] = _reasons(finding["category"])
    return card | _links([finding, *related], base_url)


def _unjudged_card(
    entry: Mapping[str, Any], review: Review, request: HookRequest, base_url: str | None
) -> dict[str, Any]:
    rule, because = entry["rule"], entry["because"][0]["path"]
    detail = [f"**{_plain(entry['tell_now'])}**", _plain(entry["message"]), _places(entry, review, request)]
    detail.append("Local protocol and medical direction win.")
    summary = f"{sentence(word(entry['concern']))}: a charted danger, and the record cannot tell what followed"
    card = _card(review.document, f"unjudged:{rule['id']}:{because}", summary, entry["severity"], detail, base_url)
    card["overrideReasons"] = _reasons("safety")
    return card | _links([entry], base_url)


def _missing_card(
    missing: list[Mapping[str, Any]], review: Review, request: HookRequest, base_url: str | None
) -> dict[str, Any]:
    summary = f"{count(len(missing), 'finding')} about what the chart does not show"
    bullets = "\n".join(_bullet(each, review, request) for each in missing)
    detail = [bullets, "Local protocol and medical direction win."]
    card = _card(review.document, "missing-documentation", summary, "warning", detail, base_url)
    card["overrideReasons"] = _reasons("completeness")
    return card | _links(missing, base_url)


def _account_card(review: Review, request: HookRequest, base_url: str | None) -> dict[str, Any]:
    document = review.document
    summary = document["summary"]
    head = f"{count(summary['rules'], 'rule')} reviewed, {summary['not_assessable']} not assessable"
    if summary["error"]:
        head += f", {summary['error']} not decided"
    detail = [_plain(document["patient"]["text"]), _plain(counted(document))]
    infos = [f for f in document["findings"] if f["severity"] == "info"]
    for name, lines in (
        ("For information", [f"{f['title']} [{f['rule']['id']}]" for f in infos]),
        ("Accepted by the sender", [f"{f['title']} [{f['rule']['id']}]" for f in document["accepted"]]),
        (
            "Dangers and duties that the record leaves open",
            [f"{u['severity']}: {u['message']}{_named(u)}" for u in document["unjudged"] if "tell_now" not in u],
        ),
        ("Notices", [f"{n['severity']}: {n['text']}{_noticed(n, request)}" for n in document["notices"]]),
        (
            "Not sent, so what stands there was not seen",
            [f"{key}: {PREFETCH[key].partition('?')[0]}" for key in request.not_sent],
        ),
        ("Switched off", [f"{o['rule']}, until {o['ends']}, by {o['owner']}: {o['reason']}" for o in document["off"]]),
        ("Not assessable", [cause(group) for group in document["not_assessable"]]),
        ("Rules by outcome", [f"{word(o)}: {', '.join(ids)}" for o, ids in rules_by_outcome(review).items()]),
    ):
        if lines:
            detail.append(f"{name}:")
            detail.append("\n".join(f"- {_plain(line)}" for line in lines))
    detail.append(_plain(" ".join(document["cautions"])))
    # A rule that could not be decided always has a critical notice.
    severities = {notice["severity"] for notice in document["notices"]}
    indicator = next((each for each in ("critical", "warning") if each in severities), "info")
    return _card(document, "account", head, indicator, detail, base_url)


def _named(entry: Mapping[str, Any]) -> str:
    return "" if entry["rule"] is None else f" [{entry['rule']['id']}]"


def _noticed(notice: Mapping[str, Any], request: HookRequest) -> str:
    places = [request.location(place) for place in notice["pointers"] if place]
    return f" At: {', '.join(places)}." if places else ""


def _disputed(finding: Mapping[str, Any]) -> bool:
    return any(instance.get("disputed") for instance in finding["instances"])


def _bullet(finding: Mapping[str, Any], review: Review, request: HookRequest) -> str:
    told = f" **{_plain(finding['tell_now'])}**" if "tell_now" in finding else ""
    disputed = " Disputed: the two deciders disagree." if _disputed(finding) else ""
    said = f"{_plain(' '.join(messages(finding)))} {_plain(finding['remediation'])}{disputed}"
    return f"- {finding['severity']}: {_plain(finding['title'])}.{told} {said} {_places(finding, review, request)}"


def _places(finding: Mapping[str, Any], review: Review, request: HookRequest) -> str:
    places = (
        f"{_plain(place['label'])} `{request.location(place[review.intake.language])}`"
        for place in every_place(finding)
    )
    return f"At: {', '.join(dict.fromkeys(places))}."


def _links(findings: Iterable[Mapping[str, Any]], base_url: str | None) -> dict[str, Any]:
    if base_url is None:
        return {}
    rules = dict.fromkeys(each["rule"]["id"] for each in findings)
    address = f"{base_url.rstrip('/')}/v1/rules"
    return {"links": [{"label": f"Rule {rule}", "url": f"{address}/{rule}", "type": "absolute"} for rule in rules]}


def _reasons(category: str) -> list[dict[str, str]]:
    return [
        {"code": code, "system": system("override-reason"), "display": REASONS[code]} for code in _ANSWERS[category]
    ]


def _plain(text: str) -> str:
    """The text with a backslash before every sign that means something in GitHub Flavored Markdown."""
    return _MARKS.sub(r"\\\1", text)
