"""CDS Hooks 2.0 (https://cds-hooks.hl7.org/2.0/): discovery, requests, cards, feedback and the client's token.

The service works on what a request brings and calls no FHIR server, ever:
``fhirServer`` and ``fhirAuthorization`` are not read. Cards advise; none holds
a suggestion or an action, for nobody but the author writes in a chart.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, NoReturn

import jwt
import orjson

from service.intake import strict_json
from service.intake.fhir.profile import EPISODE, system, url
from service.intake.fhir.tree import Index
from service.problems import ProblemItem, Rejected
from service.review.build import Review
from service.rulebook.message import word

from .operation_outcome import counted, limits, name_of, rules_by_outcome, sources
from .plain import count

SERVICE_ID = "restraint-review"
DISCHARGE = "encounter-discharge"
#: A hook of our own is named in reverse-domain form, as the specification asks; the domain is that of the FHIR profile.
CHART_CLOSE = "example.restraint-review.chart-close"
_JSON, _FHIR = "application/json", "application/fhir+json"

#: Prefetch key -> FHIR query. Without the first five a chart cannot be judged: an entry that was not sent
#: would be called not charted.
_NEEDED = {
    "patient": "Patient/{{context.patientId}}",
    "encounter": "Encounter/{{context.encounterId}}",
    "procedures": "Procedure?encounter={{context.encounterId}}",
    "medications": "MedicationAdministration?context={{context.encounterId}}",
    "observations": "Observation?encounter={{context.encounterId}}",
}
_WELCOME = {
    "conditions": "Condition?encounter={{context.encounterId}}",
    "allergies": "AllergyIntolerance?patient={{context.patientId}}",
    "communications": "Communication?encounter={{context.encounterId}}",
    "compositions": "Composition?encounter={{context.encounterId}}",
    "devices": "Device?patient={{context.patientId}}",
}
PREFETCH = _NEEDED | _WELCOME
#: Read by id, so never a Bundle: whose chart this is must be beyond doubt.
_ONE = {"patient": "Patient", "encounter": "Encounter"}

_DETAILS = {
    "not-an-object": "Give an object.",
    "not-a-list": "Give a list with at least one item.",
    "missing-member": "This member is required.",
    "not-text": "Give text that is not empty.",
    "not-a-uuid": "Give a UUID.",
    "not-a-time": "Give an RFC 3339 time with offset.",
    "unknown-hook": "This service answers no such hook; /cds-services lists those it answers.",
    "one-chart": "Give one of context.episode, context.bundle and prefetch.",
    "not-a-resource": "Give a FHIR resource, or a Bundle of them, or null for none.",
    "another-resource": "Give the one resource that this key reads.",
    "another-chart": "This is another id than the context has.",
    "unknown-outcome": "Give accepted or overridden.",
    "missing-prefetch": "This prefetch key was not sent. No FHIR server is called for it.",
    "incomplete-prefetch": "These are not all of the resources: the Bundle has a next page. No FHIR server is called for it.",
    "reference-not-sent": "This refers to a device or drug that was not sent. Send it contained, or with devices.",
    "profile-needs-bundle": "This encounter is written to the profile, which uses resources that no prefetch key brings. "
    "Send all of it as context.bundle to the chart-close hook.",
}
_UUID = re.compile(r"[0-9a-fA-F]{8}(-[0-9a-fA-F]{4}){3}-[0-9a-fA-F]{12}")
_TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{1,9})?(Z|[+-]\d\d:\d\d)", re.ASCII)


# ---------------------------------------------------------------- discovery


def discovery() -> bytes:
    """The answer of ``GET /cds-services``: one service under two hooks."""
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


# ---------------------------------------------------------------- requests


@dataclass(frozen=True, slots=True)
class HookRequest:
    """A chart taken out of a request: ``body`` and ``media_type`` are for the pipeline.

    ``not_sent``: welcome prefetch keys that were left out. ``homes``: where
    the chart stood, as a pointer into the request; for an assembled Bundle
    one for each of its entries.
    """

    hook: str
    body: bytes
    media_type: str
    not_sent: tuple[str, ...]
    home: str
    homes: tuple[str, ...] = ()

    def pointer(self, pointer: str) -> str:
        """A pointer into the chart as one into the request."""
        if not self.homes:
            return self.home + pointer
        entry = re.match(r"/entry/(\d+)(?:/resource)?(.*)", pointer)
        return self.homes[int(entry[1])] + entry[2] if entry else self.home

    def location(self, location: str) -> str:
        """A location of a finding as one in the request: a pointer for our JSON, else FHIRPath from the request."""
        if self.media_type == _JSON:
            return self.pointer(location)
        entry = re.match(r"Bundle\.entry\[(\d+)\]\.resource(.*)", location)
        if entry and self.homes:
            return _path(self.homes[int(entry[1])]) + entry[2]
        return _path(self.home) + location.removeprefix("Bundle")

    def rejected(self, refusal: Rejected) -> Rejected:
        """What the pipeline refused, with its places in the request."""
        out = Rejected(
            refusal.status,
            refusal.code,
            [
                ProblemItem(e.code, e.detail, None if e.pointer is None else self.pointer(e.pointer), e.parameter)
                for e in refusal.errors
            ],
        )
        out.omitted += refusal.omitted
        return out


def read_request(body: bytes) -> HookRequest:
    """Read ``POST /cds-services/restraint-review``.

    Raises Rejected: 400 not JSON; 412 ``missing-prefetch`` when a needed key is
    left out or holds a part only; 422 ``invalid-hook-request``.
    """
    value = strict_json.loads(body)
    if type(value) is not dict:
        _refuse("invalid-hook-request", [_item("not-an-object", "")])
    slips: list[ProblemItem] = []
    hook, context, prefetch = value.get("hook"), value.get("context"), value.get("prefetch")
    if hook not in (DISCHARGE, CHART_CLOSE):
        slips.append(_item("unknown-hook" if "hook" in value else "missing-member", "/hook"))
    _uuid(value, "hookInstance", "", slips)
    if type(context) is not dict:
        slips.append(_item("not-an-object" if "context" in value else "missing-member", "/context"))
        context = {}
    if prefetch is not None and type(prefetch) is not dict:
        slips.append(_item("not-an-object", "/prefetch"))
    own = [name for name in ("episode", "bundle") if name in context] if hook == CHART_CLOSE else []
    if len(own) > 1 or (own and prefetch is not None):
        slips.append(_item("one-chart", "/context"))
    if not own:
        for name in ("userId", "patientId", "encounterId") if hook == DISCHARGE else ("patientId", "encounterId"):
            _text(context, name, "/context", slips)
    if slips:
        _refuse("invalid-hook-request", slips)
    hook = str(hook)
    if own:
        chart = strict_json.canonical(context[own[0]])
        return HookRequest(hook, chart, _JSON if own == ["episode"] else _FHIR, (), f"/context/{own[0]}")
    return _assembled(hook, context, prefetch or {})


def _assembled(hook: str, context: Mapping[str, Any], prefetch: Mapping[str, Any]) -> HookRequest:
    """One Bundle of all that was prefetched, in the order of the keys."""
    slips: list[ProblemItem] = []
    # A server's own OperationOutcome in place of the answer brings nothing.
    lacking = [key for key in _NEEDED if key not in prefetch or _type(prefetch[key]) == "OperationOutcome"]
    short = [_item("missing-prefetch", f"/prefetch/{key}") for key in lacking]
    entries: list[dict[str, Any]] = []
    homes: list[str] = []
    seen: set[bytes] = set()
    for key in PREFETCH:
        value, at = prefetch.get(key), f"/prefetch/{key}"
        if value is None or _type(value) == "OperationOutcome":
            continue
        if not _type(value):
            slips.append(_item("not-a-resource", at))
            continue
        if key in _ONE and _type(value) != _ONE[key]:
            slips.append(_item("another-resource", at))
            continue
        found = [({"resource": value}, at)]
        if _type(value) == "Bundle":
            links = value.get("link")
            if any(_member(link, "relation") == "next" for link in (links if type(links) is list else ())):
                short.append(_item("incomplete-prefetch", at))
            listed = value.get("entry", [])
            if type(listed) is not list:
                slips.append(_item("not-a-list", f"{at}/entry"))
                continue
            found = [(entry, f"{at}/entry/{n}/resource") for n, entry in enumerate(listed)]
        for entry, home in found:
            resource = _member(entry, "resource")
            # The same resource may be in the answers of two queries; it is still one.
            mark = strict_json.canonical(resource)
            if mark not in seen or _member(resource, "id") is None:
                seen.add(mark)
                full_url = _member(entry, "fullUrl")
                entries.append({"resource": resource} | ({} if full_url is None else {"fullUrl": full_url}))
                homes.append(home)
    for key, name in zip(_ONE, ("patientId", "encounterId"), strict=True):
        ident = _member(prefetch.get(key), "id")
        if ident is not None and ident != context[name].removeprefix(f"{key.title()}/"):
            slips.append(_item("another-chart", f"/prefetch/{key}/id"))
    if slips:
        _refuse("invalid-hook-request", slips)
    extensions = _member(prefetch.get("encounter"), "extension")
    if any(_member(each, "url") == url(EPISODE) for each in (extensions if type(extensions) is list else ())):
        short.append(_item("profile-needs-bundle", "/prefetch/encounter"))
    bundle = {"resourceType": "Bundle", "type": "collection", "entry": entries}
    short += [_item("reference-not-sent", homes[number]) for number in _dangling(bundle)]
    if short:
        raise Rejected(412, "missing-prefetch", short)
    not_sent = tuple(key for key in _WELCOME if key not in prefetch or _type(prefetch[key]) == "OperationOutcome")
    return HookRequest(hook, strict_json.canonical(bundle), _FHIR, not_sent, "/prefetch", tuple(homes))


def _dangling(bundle: dict[str, Any]) -> list[int]:
    """Entries that refer to a device or drug which is not there: it would be called not charted."""
    index = Index(bundle)
    found: dict[int, None] = {}
    for el in index.resources:
        references = [*el.each("usedReference"), *(part.get("manipulated") for part in el.each("focalDevice"))]
        references.append(el.get("medicationReference"))
        if any(each.get("reference").text and index.target(each) is None for each in references):
            found[int(el.at.partition("[")[2].partition("]")[0])] = None
    return list(found)


def _member(value: Any, name: str) -> Any:
    return value.get(name) if type(value) is dict else None


def _type(value: Any) -> str:
    found = _member(value, "resourceType")
    return found if type(found) is str else ""


def _path(pointer: str) -> str:
    """A pointer made here as FHIRPath from the request: ``prefetch.procedures.entry[2].resource``."""
    return re.sub(r"\.(\d+)", r"[\1]", pointer[1:].replace("/", "."))


def _item(code: str, pointer: str) -> ProblemItem:
    return ProblemItem(code, _DETAILS[code], pointer=pointer)


def _refuse(code: str, slips: list[ProblemItem]) -> NoReturn:
    raise Rejected(422, code, slips)


def _text(value: Mapping[str, Any], name: str, at: str, slips: list[ProblemItem]) -> None:
    if name not in value:
        slips.append(_item("missing-member", f"{at}/{name}"))
    elif type(value[name]) is not str or not value[name].strip():
        slips.append(_item("not-text", f"{at}/{name}"))


def _uuid(value: Mapping[str, Any], name: str, at: str, slips: list[ProblemItem]) -> None:
    if name not in value:
        slips.append(_item("missing-member", f"{at}/{name}"))
    elif type(value[name]) is not str or not _UUID.fullmatch(value[name]):
        slips.append(_item("not-a-uuid", f"{at}/{name}"))


# ---------------------------------------------------------------- cards

_LONGEST_SUMMARY = 139
#: What a person may answer to a card. None of them changes the finding, and none invites to change a charted danger.
_REASONS = {
    "charted-elsewhere": "It stands elsewhere in the record",
    "not-applicable": "It does not apply to this patient",
    "late-entry": "What was done will be added as a late entry",
    "passed-on": "Told to the receiving clinician or to review",
    "finding-wrong": "The finding is wrong",
}
_ANSWERS = {
    "completeness": ("charted-elsewhere", "not-applicable", "late-entry", "finding-wrong"),
    "safety": ("passed-on", "not-applicable", "finding-wrong"),
    "consistency": ("passed-on", "not-applicable", "finding-wrong"),
}
_MARKS = re.compile(r"([\\`*_\[\]<>#|~])")


#: The refusal of a chart that does not concern this service. A hook fires for every encounter of its kind, and a client
#: shows a refusal as a fault: the specification has an empty array of cards for a service that has nothing to say
#: (CDS Hooks 2.0, "CDS Service Response").
NOTHING_TO_SAY = "no-restraint"


def no_cards() -> bytes:
    """The answer of a service that has nothing to say."""
    return orjson.dumps({"cards": []})


def render(review: Review, request: HookRequest, base_url: str | None = None) -> bytes:
    """The cards of a review: one for each critical finding and each warning of safety or consistency (a cascade is
    one, under its worst), one for all other warnings about missing documentation, and always a last one that
    accounts for every rule. ``base_url``: where this service is reached, for links; no links without it."""
    document = review.document
    cards, folded = [], set()
    others = {f["fingerprint"]: f for f in document["findings"] if _alone(f)}
    for finding in others.values():
        if finding["fingerprint"] in folded:
            continue
        related = [others[mark] for mark in finding["related"] if mark in others]
        folded |= {finding["fingerprint"], *(each["fingerprint"] for each in related)}
        cards.append(_finding_card(finding, related, review, request, base_url))
    missing = [f for f in document["findings"] if f["severity"] == "warning" and not _alone(f)]
    if missing:
        cards.append(_missing_card(missing, review, request, base_url))
    cards.append(_account_card(document, request, base_url))
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
    detail = [f"**{_plain(sentence)}**" for sentence in told]
    detail += [_plain(finding["message"]), _plain(finding["remediation"]), f"Why: {_plain(finding['why'])}"]
    if finding.get("disputed"):
        detail.append("Disputed: the two deciders disagree about it; it is shown all the same.")
    if finding["parameters"]:
        detail.append(f"Limits: {_plain(limits(finding))}.")
    detail.append(_places(finding, review, request))
    detail.append(f"Sources: {_plain(sources(finding))}. Local protocol and medical direction win.")
    if related:
        detail.append("Belongs to the same course of events:")
        detail.append("\n".join(_bullet(each, review, request) for each in related))
    card = _card(review.document, finding["fingerprint"], finding["title"], finding["severity"], detail, base_url)
    topic = {"system": system("phase"), "code": finding["phase"], "display": word(finding["phase"])}
    card["source"]["topic"] = topic
    card["overrideReasons"] = _reasons(finding["category"])
    return card | _links([finding, *related], base_url)


def _missing_card(
    missing: list[Mapping[str, Any]], review: Review, request: HookRequest, base_url: str | None
) -> dict[str, Any]:
    summary = f"{count(len(missing), 'finding')} about what the chart does not show"
    bullets = "\n".join(_bullet(each, review, request) for each in missing)
    detail = [bullets, "Local protocol and medical direction win."]
    card = _card(review.document, "missing-documentation", summary, "warning", detail, base_url)
    card["overrideReasons"] = _reasons("completeness")
    return card | _links(missing, base_url)


def _account_card(document: Mapping[str, Any], request: HookRequest, base_url: str | None) -> dict[str, Any]:
    summary = document["summary"]
    head = f"{count(summary['rules'], 'rule')} reviewed, {summary['not_assessable']} not assessable"
    if summary["error"]:
        head += f", {summary['error']} not decided"
    detail = [_plain(counted(document))]
    infos = [f for f in document["findings"] if f["severity"] == "info"]
    for name, lines in (
        ("For information", [f"{f['title']} [{f['rule']['id']}]" for f in infos]),
        ("Accepted by the sender", [f"{f['title']} [{f['rule']['id']}]" for f in document["accepted"]]),
        ("Notices", [f"{n['severity']}: {n['detail']}" for n in document["notices"]]),
        (
            "Not sent, so what stands there was not seen",
            [f"{key}: {PREFETCH[key].partition('?')[0]}" for key in request.not_sent],
        ),
        ("Switched off", [f"{o['rule']}, until {o['ends']}, by {o['owner']}: {o['reason']}" for o in document["off"]]),
        ("Rules by outcome", [f"{word(o)}: {', '.join(ids)}" for o, ids in rules_by_outcome(document).items()]),
    ):
        if lines:
            detail.append(f"{name}:")
            detail.append("\n".join(f"- {_plain(line)}" for line in lines))
    detail.append(_plain(" ".join(document["cautions"])))
    # A rule that could not be decided always has a critical notice.
    severities = {notice["severity"] for notice in document["notices"]}
    indicator = next((each for each in ("critical", "warning") if each in severities), "info")
    return _card(document, "account", head, indicator, detail, base_url)


def _bullet(finding: Mapping[str, Any], review: Review, request: HookRequest) -> str:
    told = f" **{_plain(finding['tell_now'])}**" if "tell_now" in finding else ""
    disputed = " Disputed: the two deciders disagree." if finding.get("disputed") else ""
    said = f"{_plain(finding['message'])} {_plain(finding['remediation'])}{disputed}"
    return f"- {finding['severity']}: {_plain(finding['title'])}.{told} {said} {_places(finding, review, request)}"


def _places(finding: Mapping[str, Any], review: Review, request: HookRequest) -> str:
    places = (
        f"{_plain(place['label'])} `{request.location(place[review.intake.language])}`" for place in finding["pointers"]
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
        {"code": code, "system": system("override-reason"), "display": _REASONS[code]} for code in _ANSWERS[category]
    ]


def _plain(text: str) -> str:
    """Text that GitHub Markdown shows as it is."""
    return _MARKS.sub(r"\\\1", text)


# ---------------------------------------------------------------- feedback


@dataclass(frozen=True, slots=True)
class Feedback:
    """What a feedback request says, counted. Comments, cards and times are not kept.

    ``reasons``: our own code, or ``other``, -> how often it was given.
    """

    accepted: int
    overridden: int
    reasons: Mapping[str, int]


def read_feedback(body: bytes) -> Feedback:
    """Read ``POST /cds-services/restraint-review/feedback``. Whether a card was ever shown cannot be told: nothing is kept.

    Raises Rejected: 400 not JSON; 422 ``invalid-feedback``.
    """
    value = strict_json.loads(body)
    listed = _member(value, "feedback")
    if type(value) is not dict or type(listed) is not list or not listed:
        place = "" if type(value) is not dict else "/feedback"
        code = "not-an-object" if not place else "not-a-list" if "feedback" in value else "missing-member"
        _refuse("invalid-feedback", [_item(code, place)])
    slips: list[ProblemItem] = []
    outcomes: Counter[str] = Counter()
    reasons: Counter[str] = Counter()
    for number, entry in enumerate(listed):
        at = f"/feedback/{number}"
        if type(entry) is not dict:
            slips.append(_item("not-an-object", at))
            continue
        before = len(slips)
        reason = _read_answer(entry, at, slips)
        if len(slips) == before:
            outcomes[entry["outcome"]] += 1
            if reason:
                reasons[reason] += 1
    if slips:
        _refuse("invalid-feedback", slips)
    return Feedback(outcomes["accepted"], outcomes["overridden"], dict(sorted(reasons.items())))


def _read_answer(entry: Mapping[str, Any], at: str, slips: list[ProblemItem]) -> str | None:
    """Check one answer; the code of its reason."""
    _uuid(entry, "card", at, slips)
    outcome = entry.get("outcome")
    if outcome not in ("accepted", "overridden"):
        slips.append(_item("unknown-outcome" if "outcome" in entry else "missing-member", f"{at}/outcome"))
    if "outcomeTimestamp" not in entry:
        slips.append(_item("missing-member", f"{at}/outcomeTimestamp"))
    elif not _is_time(entry["outcomeTimestamp"]):
        slips.append(_item("not-a-time", f"{at}/outcomeTimestamp"))
    taken = entry.get("acceptedSuggestions")
    if outcome == "accepted" and (type(taken) is not list or not taken):
        slips.append(_item("not-a-list" if taken is not None else "missing-member", f"{at}/acceptedSuggestions"))
    for number, each in enumerate(taken if type(taken) is list else ()):
        _uuid(each if type(each) is dict else {}, "id", f"{at}/acceptedSuggestions/{number}", slips)
    given = entry.get("overrideReason")
    if given is None:
        return None
    if type(given) is not dict:
        slips.append(_item("not-an-object", f"{at}/overrideReason"))
        return None
    if "userComment" in given and type(given["userComment"]) is not str:
        slips.append(_item("not-text", f"{at}/overrideReason/userComment"))
    if "reason" not in given:
        return None
    reason = given["reason"]
    if type(reason) is not dict:
        slips.append(_item("not-an-object", f"{at}/overrideReason/reason"))
        return None
    _text(reason, "code", f"{at}/overrideReason/reason", slips)
    ours = reason.get("system") == system("override-reason")
    return str(reason["code"]) if ours and reason.get("code") in _REASONS else "other"


def _is_time(value: Any) -> bool:
    if type(value) is not str or not _TIME.fullmatch(value):
        return False
    try:
        datetime.fromisoformat(value)
    except ValueError:
        return False
    return True


# ---------------------------------------------------------------- the client's token

#: Only signatures whose checker cannot make one: the specification allows neither none nor a shared secret.
_ALGORITHMS = frozenset({"RS256", "RS384", "RS512", "PS256", "PS384", "PS512", "ES256", "ES384", "ES512", "EdDSA"})
_LEEWAY_SECONDS = 30
#: The times are compared below with the caller's ``now``, so that nothing here asks a clock.
_OPTIONS: Any = {
    "require": ["iss", "aud", "exp", "iat", "jti"],
    "verify_exp": False,
    "verify_iat": False,
    "verify_nbf": False,
}


def client_of(token: str, keys: Mapping[str, Mapping[str, jwt.PyJWK]], audience: str, now: int) -> str | None:
    """The issuer a CDS client's token stands for; None when it does not hold.

    ``keys``: issuer -> key id -> public key; ``jku`` is never followed.
    ``audience``: the address of the service that is called. ``now``: epoch
    seconds. ``jti`` has to be there, and a repeat is not noticed: nothing is
    kept between requests.
    """
    try:
        header = jwt.get_unverified_header(token)
        issuer = jwt.decode(token, options={"verify_signature": False})["iss"]
        key = keys[issuer][header["kid"]]
        if header["typ"].upper() != "JWT" or key.algorithm_name not in _ALGORITHMS:
            return None
        claims = jwt.decode(
            token, key, algorithms=[key.algorithm_name], audience=audience, issuer=issuer, options=_OPTIONS
        )
        holds = (
            claims["exp"] > now - _LEEWAY_SECONDS
            and claims["iat"] <= now + _LEEWAY_SECONDS
            and claims.get("nbf", now) <= now + _LEEWAY_SECONDS
            and type(claims["jti"]) is str
        )
    except Exception:  # noqa: BLE001 (a token is a stranger's text: whatever it sets off, it is no token)
        return None
    return str(issuer) if holds and claims["jti"] else None
