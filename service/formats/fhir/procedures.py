"""Procedures and the use of devices: restraint, holds, spans of monitoring, transfer of care."""

from __future__ import annotations

from service.formats.collector import CANNOT_TELL

from . import codes
from .chart import Chart, Found, own_word
from .context import add_complication, set_contact
from .observations import site_of
from .people import level_of, performers, set_performer
from .profile import SHAPES
from .shapes import read_shape
from .tree import El, Index, Resource, look, words

_LIMBS, _HOLDS = "application.limbs", "application.holds"
_NOT_DONE = ("not-done", "preparation")


def is_restraint(el: Resource) -> bool:
    """Whether a resource is a Procedure of restraint or holding that was done."""
    return (
        el.kind == "Procedure"
        and el.text_of("status") not in (*_NOT_DONE, "entered-in-error")
        and not _failed(el)
        and look(el.get("code"), codes.SUBJECTS) in ("restraint", "hold")
    )


def _failed(el: El) -> bool:
    return bool(look(el.get("outcome"), codes.OUTCOMES) == "unsuccessful")


class Parts:
    """Which restraint is part of which. ``above``: place of a part -> the whole; ``wholes``: places of those."""

    def __init__(self, index: Index) -> None:
        self.above: dict[str, Resource] = {}
        for el in index.of_kind("Procedure"):
            if is_restraint(el):
                for reference in el.each("partOf"):
                    target = index.target(reference)
                    if target is not None and target.at != el.at and is_restraint(target):
                        self.above[el.at] = target
        self.wholes = {target.at for target in self.above.values()}


def read_procedure(chart: Chart, el: Resource, parts: Parts) -> None:
    """Read one Procedure, by its code."""
    subject = look(el.get("code"), codes.SUBJECTS)
    if el.text_of("status") in _NOT_DONE:
        if subject == "medical_direction" and el.text_of("status") == "not-done":
            set_contact(chart, el, False, El(None, el.at))
        else:
            chart.notice("not-used-status", el.at)
        return
    failed = _failed(el)
    if failed:
        chart.notice("not-successful", el.at)
    if failed and subject in ("restraint", "hold"):
        pass  # a restraint that failed is none; what came of it counts
    elif subject == "restraint":
        _restraint(chart, el, parts)
    elif subject == "hold":
        _hold(chart, el)
    elif subject in ("capnography", "oximetry", "ecg", "observation"):
        slug = f"monitoring.{subject}"
        if el.is_own(slug) or el.choice("performed", "Period")[1]:
            read_shape(chart, el, SHAPES[slug]).own = el.is_own(slug)
        elif subject != "ecg":
            # Without an end it would count as watching to the end of care.
            chart.notice("no-stretch", el.at)
        else:
            found = chart.item_of(slug, el)
            chart.set_time(found, "start", el.choice("performed", "DateTime")[1])
            chart.set_value(found, "end", CANNOT_TELL, el)
    elif subject == "medical_direction":
        name, when = el.choice("performed", "DateTime", "Period")
        set_contact(chart, el, True, when.get("start") if name == "Period" else when)
    elif subject == "transfer":
        name, when = el.choice("performed", "DateTime", "Period")
        chart.set_time(chart.section("handover", el), "time", when.get("end") if name == "Period" else when)
    else:
        action = look(el.get("code"), codes.ACTIONS)
        if action:
            if failed and action not in ("cpr", "defibrillation"):
                action = "other"
            found = chart.item_of("monitoring.actions", el)
            chart.set_value(found, "action", action, el.get("code"))
            chart.set_span(found, el, "performed", "time", "end")
            set_performer(chart, found, "by", el)
        else:
            known = look(el.get("code"), codes.ASIDE_PROCEDURES)
            chart.notice("procedure-left-aside" if known else "unknown-code", (el.get("code") or el).at)
    for index, concept in enumerate(el.each("complication")):
        word = look(concept, codes.COMPLICATIONS)
        if word and word != "none":
            ident = f"{el.get('id').text}-complication-{index + 1}" if el.text_of("id") else ""
            add_complication(chart, ident, concept, word, El(None, concept.at))
        elif not word:
            chart.notice("unknown-code", concept.at)


# ---------------------------------------------------------------- restraint


def _restraint(chart: Chart, el: Resource, parts: Parts) -> None:
    chart.restrained = True
    above = parts.above.get(el.at)
    sites: dict[tuple[str, str | None], El] = {}
    for concept in el.each("bodySite"):
        where = site_of(chart, concept)
        if where is not None:
            sites.setdefault(where, concept)
    people = performers(chart, el)
    ident = el.text_of("id")
    for (site, side), place in sites.items():
        found = chart.item(_LIMBS, el)
        found.el = place
        chart.set_id(found, ident if len(sites) == 1 else f"{ident}-{side}-{site}" if ident else "", el)
        chart.set_value(found, "site", site, place)
        if side:
            chart.set_value(found, "side", side, place)
        timed = el if el.choice("performed", "Period", "DateTime")[1] or above is None else above
        chart.set_span(found, timed, "performed", "on", "off")
        _device(chart, found, el, above)
        _applied_by(chart, found, people)
    if not sites and el.at not in parts.wholes:
        chart.notice("no-limb", el.at)
        section = chart.section("application", el)
        if "started" not in section.data:
            chart.set_span(section, el, "performed", "started", None)
    _reasons(chart, el)


def _device(chart: Chart, found: Found, el: El, above: El | None) -> None:
    """Set the device of a limb, from the first of the devices used, of the part or the whole, that says what it is."""
    for source in (el, above):
        if source is None:
            continue
        for concept in source.each("usedCode"):
            if set_device(chart, found, concept, concept):
                return
        for reference in source.each("usedReference"):
            device = chart.index.target(reference)
            if device is None:
                # A device was named and not sent, so its type is not missing.
                chart.notice("dangling-reference", reference.at)
                found.data.setdefault("device", CANNOT_TELL)
            elif any(set_device(chart, found, concept, device) for concept in device_words(device)):
                return


def device_words(device: El) -> list[El]:
    """What a Device says it is, as concepts: its type, else each of its names as text."""
    if device.get("type"):
        return [device.get("type")]
    return [El({"text": name.text_of("name")}, name.at) for name in device.each("deviceName") if name.text_of("name")]


def set_device(chart: Chart, found: Found, concept: El, place: El) -> bool:
    """Set the device of a limb: ``CANNOT_TELL``, with a notice, for words that are not known; whether it was set."""
    word = own_word(concept, f"{_LIMBS}.device")
    texts = list(words(concept))
    if word is None:
        word = next((means for text in texts for plain, means in codes.LIMB_DEVICES.items() if plain in text), None)
    if word is None and any("cuff" in text or "leg iron" in text for text in texts):
        word = "key_locked"
    if word is None and not texts:
        return False
    if word is None:
        chart.notice("unknown-device", place.at)
        return chart.set_value(found, "device", CANNOT_TELL, place)
    return chart.set_value(found, "device", word, place)


def _applied_by(chart: Chart, found: Found, people: list[tuple[str, El]]) -> None:
    for person, place in people:
        if level_of(chart, person) in codes.EMS_LEVELS:
            chart.set_value(found, "applied_by", "ems", place)
            return


def _reasons(chart: Chart, el: El) -> None:
    """Add the reasons of a restraint as behaviors in the crew's own words. They are not interpreted."""
    reasons = list(el.each("reasonCode"))
    for index, concept in enumerate(reasons):
        text = concept.text_of("text") or next((c.text_of("display") for c in concept.each("coding")), "")
        if not text.strip():
            continue
        chart.notice("free-text", concept.at)
        found = chart.item("decision.behaviours", concept)
        chart.set_id(found, f"{el.get('id').text}-reason-{index + 1}" if el.text_of("id") else "", concept)
        chart.set_value(found, "behaviour", "other", concept)
        chart.set_value(found, "words", text, concept)
    if reasons or el.each("reasonReference"):
        chart.reason = chart.reason or (reasons[0] if reasons else el)


def _hold(chart: Chart, el: Resource) -> None:
    chart.restrained = True
    own = el.is_own(_HOLDS)
    parts: dict[str, El] = {}
    for concept in el.each("bodySite"):
        part = own_word(concept, _HOLDS)
        if part is None:
            where = site_of(chart, concept)
            part = f"{where[1]}_{'arm' if where[0] in ('wrist', 'forearm') else 'leg'}" if where else None
        if part:
            parts.setdefault(part, concept)
    if not parts and not own:
        chart.notice("no-body-site", el.at)
        parts = {"whole_body": el}
    people = performers(chart, el) or [("", el)]
    ident = el.text_of("id")
    several = len(parts) * len(people) > 1
    for part, place in parts.items():
        for number, (person, where_by) in enumerate(people, 1):
            found = chart.item(_HOLDS, el)
            found.own = own
            chart.set_id(found, (f"{ident}-{part}-{number}" if several else ident) if ident else "", el)
            chart.set_value(found, "part", part, place)
            chart.set_span(found, el, "performed", "start", "end")
            if person:
                chart.set_value(found, "by", person, where_by)


# ---------------------------------------------------------------- use of devices


def read_device_use(chart: Chart, el: El) -> None:
    """Read one DeviceUseStatement: a device of law enforcement, or one on a limb."""
    if el.text_of("status") == "intended":
        chart.notice("not-used-status", el.at)
        return
    device = chart.index.target(el.get("device"))
    if device is None:
        chart.notice("dangling-reference", (el.get("device") or el).at)
        return
    texts = [text for concept in device_words(device) for text in words(concept)]
    police = next((means for text in texts for plain, means in codes.POLICE_DEVICES.items() if plain in text), None)
    if police:
        chart.restrained = True
        found = chart.item_of("custody.devices", el)
        chart.set_value(found, "device", police, device)
        chart.set_span(found, el, "timing", "on", "off")
        return
    known = any(plain in text for text in texts for plain in (*codes.LIMB_DEVICES, "restraint"))
    site = site_of(chart, el.get("bodySite")) if known and el.get("bodySite") else None
    if site is None:
        chart.notice("unknown-device" if not known else "unknown-body-site", el.at)
        return
    chart.restrained = True
    found = chart.item_of(_LIMBS, el)
    chart.set_value(found, "site", site[0], el.get("bodySite"))
    chart.set_value(found, "side", site[1], el.get("bodySite"))
    chart.set_span(found, el, "timing", "on", "off")
    for concept in device_words(device):
        set_device(chart, found, concept, device)
