"""The chart that a CDS Hooks request brings (https://cds-hooks.hl7.org/2.0/, "Calling a CDS Service").

The service works on what a request brings and never calls a FHIR server:
``fhirServer`` and ``fhirAuthorization`` are not read.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from service.formats.fhir.profile import EPISODE, url
from service.formats.fhir.tree import Index
from service.formats.media_types import FHIR, JSON
from service.intake import strict_json
from service.problems import ProblemItem, Rejected

from .parts import item, member, refuse, text, uuid

SERVICE_ID = "restraint-review"
DISCHARGE = "encounter-discharge"
#: A hook of our own is named in reverse-domain form, as the specification asks; the domain is that of the FHIR profile.
CHART_CLOSE = "example.restraint-review.chart-close"

#: Prefetch key -> FHIR query. Without these a chart cannot be judged: an entry that was not sent would be called not
#: charted.
_NEEDED = {
    "patient": "Patient/{{context.patientId}}",
    "encounter": "Encounter/{{context.encounterId}}",
    "procedures": "Procedure?encounter={{context.encounterId}}",
    "medications": "MedicationAdministration?context={{context.encounterId}}",
    "observations": "Observation?encounter={{context.encounterId}}",
}
#: The same for what may be left out; the account card names what was not sent.
_OPTIONAL = {
    "conditions": "Condition?encounter={{context.encounterId}}",
    "allergies": "AllergyIntolerance?patient={{context.patientId}}",
    "communications": "Communication?encounter={{context.encounterId}}",
    "compositions": "Composition?encounter={{context.encounterId}}",
    "devices": "Device?patient={{context.patientId}}",
}
PREFETCH = _NEEDED | _OPTIONAL
#: Key -> type of the one resource that it reads, by id. A Bundle would leave open whose chart this is.
_ONE = {"patient": "Patient", "encounter": "Encounter"}


@dataclass(frozen=True, slots=True)
class HookRequest:
    """A chart taken out of a request: ``body`` and ``media_type`` are for the pipeline.

    ``not_sent``: optional prefetch keys that were left out. ``home``: JSON
    Pointer in the request of what the chart was taken from; ``homes``: for a
    Bundle made of the prefetch, the same of each of its entries.
    """

    hook: str
    body: bytes
    media_type: str
    not_sent: tuple[str, ...]
    home: str
    homes: tuple[str, ...] = ()

    def pointer(self, pointer: str) -> str:
        """A JSON Pointer into the chart as one into the request."""
        if not self.homes:
            return self.home + pointer
        entry = re.match(r"/entry/(\d+)(?:/resource)?(.*)", pointer)
        return self.homes[int(entry[1])] + entry[2] if entry else self.home

    def location(self, location: str) -> str:
        """A location of a finding as one in the request: a pointer for our JSON, else FHIRPath from the request."""
        if self.media_type == JSON:
            return self.pointer(location)
        entry = re.match(r"Bundle\.entry\[(\d+)\]\.resource(.*)", location)
        if entry and self.homes:
            return _path(self.homes[int(entry[1])]) + entry[2]
        return _path(self.home) + location.removeprefix("Bundle")

    def rejected(self, refusal: Rejected) -> Rejected:
        """A refusal of the pipeline with its places in the request in place of those in the chart."""
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
    left out or does not hold everything; 422 ``invalid-hook-request``.
    """
    value = strict_json.loads(body)
    if type(value) is not dict:
        refuse("invalid-hook-request", [item("not-an-object", "")])
    slips: list[ProblemItem] = []
    hook, context, prefetch = value.get("hook"), value.get("context"), value.get("prefetch")
    if hook not in (DISCHARGE, CHART_CLOSE):
        slips.append(item("unknown-hook" if "hook" in value else "missing-member", "/hook"))
    uuid(value, "hookInstance", "", slips)
    if type(context) is not dict:
        slips.append(item("not-an-object" if "context" in value else "missing-member", "/context"))
        context = {}
    if prefetch is not None and type(prefetch) is not dict:
        slips.append(item("not-an-object", "/prefetch"))
    own = [name for name in ("episode", "bundle") if name in context] if hook == CHART_CLOSE else []
    if len(own) > 1 or (own and prefetch):
        slips.append(item("one-chart", "/context"))
    if not own:
        for name in ("userId", "patientId", "encounterId") if hook == DISCHARGE else ("patientId", "encounterId"):
            text(context, name, "/context", slips)
    if slips:
        refuse("invalid-hook-request", slips)
    hook = str(hook)
    if own:
        chart = strict_json.canonical(context[own[0]])
        return HookRequest(hook, chart, JSON if own == ["episode"] else FHIR, (), f"/context/{own[0]}")
    return _assembled(hook, context, prefetch or {})


def _assembled(hook: str, context: Mapping[str, Any], prefetch: Mapping[str, Any]) -> HookRequest:
    """One Bundle of all that was prefetched, in the order of the keys."""
    slips: list[ProblemItem] = []
    # An OperationOutcome in place of resources is the error of the client's server: the same as not sent.
    lacking = [key for key in _NEEDED if key not in prefetch or _type(prefetch[key]) == "OperationOutcome"]
    short = [item("missing-prefetch", f"/prefetch/{key}") for key in lacking]
    entries: list[dict[str, Any]] = []
    homes: list[str] = []
    seen: set[bytes] = set()
    for key in PREFETCH:
        value, at = prefetch.get(key), f"/prefetch/{key}"
        if value is None or _type(value) == "OperationOutcome":
            continue
        if not _type(value):
            slips.append(item("not-a-resource", at))
            continue
        if key in _ONE and _type(value) != _ONE[key]:
            slips.append(item("another-resource", at))
            continue
        found = [({"resource": value}, at)]
        if _type(value) == "Bundle":
            links = value.get("link")
            if any(member(link, "relation") == "next" for link in (links if type(links) is list else ())):
                short.append(item("incomplete-prefetch", at))
            listed = value.get("entry", [])
            if type(listed) is not list:
                slips.append(item("not-a-list", f"{at}/entry"))
                continue
            found = [(entry, f"{at}/entry/{n}/resource") for n, entry in enumerate(listed)]
        for entry, home in found:
            resource = member(entry, "resource")
            # The same resource may be in the answers of two queries; it is still one.
            mark = strict_json.canonical(resource)
            if mark not in seen or member(resource, "id") is None:
                seen.add(mark)
                full_url = member(entry, "fullUrl")
                entries.append({"resource": resource} | ({} if full_url is None else {"fullUrl": full_url}))
                homes.append(home)
    for key, name in zip(_ONE, ("patientId", "encounterId"), strict=True):
        ident = member(prefetch.get(key), "id")
        if ident is not None and ident != context[name].removeprefix(f"{key.title()}/"):
            slips.append(item("another-chart", f"/prefetch/{key}/id"))
    if slips:
        refuse("invalid-hook-request", slips)
    extensions = member(prefetch.get("encounter"), "extension")
    if any(member(each, "url") == url(EPISODE) for each in (extensions if type(extensions) is list else ())):
        short.append(item("profile-needs-bundle", "/prefetch/encounter"))
    bundle = {"resourceType": "Bundle", "type": "collection", "entry": entries}
    short += [item("reference-not-sent", homes[number]) for number in _dangling(bundle)]
    if short:
        raise Rejected(412, "missing-prefetch", short)
    not_sent = tuple(key for key in _OPTIONAL if key not in prefetch or _type(prefetch[key]) == "OperationOutcome")
    return HookRequest(hook, strict_json.canonical(bundle), FHIR, not_sent, "/prefetch", tuple(homes))


def _dangling(bundle: dict[str, Any]) -> list[int]:
    """Indexes of the entries that refer to a device or drug which was not sent: it would be called not charted."""
    index = Index(bundle)
    found: dict[int, None] = {}
    for el in index.resources:
        references = [*el.each("usedReference"), *(part.get("manipulated") for part in el.each("focalDevice"))]
        references.append(el.get("medicationReference"))
        if any(each.get("reference").text and index.target(each) is None for each in references):
            found[int(el.at.partition("[")[2].partition("]")[0])] = None
    return list(found)


def _type(value: Any) -> str:
    found = member(value, "resourceType")
    return found if type(found) is str else ""


def _path(pointer: str) -> str:
    """A pointer of ``homes`` as FHIRPath from the request, such as ``prefetch.procedures.entry[2].resource``."""
    return re.sub(r"\.(\d+)", r"[\1]", pointer[1:].replace("/", "."))
