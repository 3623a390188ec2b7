"""Items that are written to our profile: code, time and performer from the resource."""

from __future__ import annotations

from . import profile
from .chart import Chart, Found, own_word
from .people import performers
from .profile import SHAPES, Shape
from .tree import El, kind

_URL, _SYSTEM = profile.url(""), profile.system("")
_TIME_OF = {
    "Observation": "effective",
    "Procedure": "performed",
    "DeviceUseStatement": "timing",
    "MedicationAdministration": "effective",
}


def own_shape(chart: Chart, el: El) -> Shape | None:
    """The list that a coding or an extension of the profile makes this resource an item of."""
    for part in el.each("extension"):
        slug = slug_of(part)
        if slug in SHAPES:
            return SHAPES[slug]
    for coding in concept_of(chart, el).each("coding"):
        name = coding.text_of("system")
        slug = name.removeprefix(_SYSTEM)
        if slug != name and slug in SHAPES:
            return SHAPES[slug]
    return None


def is_own(el: El, slug: str) -> bool:
    """Whether a resource carries the extension of this list."""
    return any(slug_of(part) == slug for part in el.each("extension"))


def slug_of(extension: El) -> str:
    """The slug of an extension of the profile, or nothing."""
    name = extension.text_of("url")
    slug = name.removeprefix(_URL)
    return slug if slug != name else ""


def concept_of(chart: Chart, el: El) -> El:
    """What a resource is about: its code, the event, or the type of the device used."""
    if kind(el) == "AdverseEvent":
        return el.get("event")
    if kind(el) == "DeviceUseStatement":
        device = chart.index.target(el.get("device"))
        return device.get("type") if device is not None else El(None, el.at)
    return el.get("code")


def read_shape(chart: Chart, el: El, shape: Shape) -> Found:
    """One item from a resource; its extension is read by the caller."""
    found = chart.item(shape.slug, el)
    found.own = True
    chart.put_id(found, el.text_of("id"), el.get("id").at)
    if shape.word:
        concept = concept_of(chart, el)
        word = own_word(concept, shape.slug)
        if word:
            chart.put(found, shape.word, word, concept.at)
    stem = _TIME_OF.get(kind(el))
    if stem:
        chart.put_span(found, el, stem, shape.start, shape.end)
    elif kind(el) == "AdverseEvent" and shape.start:
        chart.put_time(found, shape.start, el.get("date"))
    if shape.by:
        for person, at in performers(chart, el)[:1]:
            chart.put(found, shape.by, person, at)
    return found
