"""Items that are written to our profile: code, time and performer from the resource."""

from __future__ import annotations

from . import profile
from .chart import Chart, Found, own_word
from .people import performers
from .profile import SHAPES, Shape
from .tree import El, Resource

_SYSTEM = profile.system("")
_TIME_OF = {
    "Observation": "effective",
    "Procedure": "performed",
    "DeviceUseStatement": "timing",
    "MedicationAdministration": "effective",
}


def own_shape(chart: Chart, el: Resource) -> Shape | None:
    """The list that a coding or an extension of the profile makes this resource an item of."""
    for slug, _ in el.own:
        if slug in SHAPES:
            return SHAPES[slug]
    for coding in concept_of(chart, el).each("coding"):
        name = coding.text_of("system")
        slug = name.removeprefix(_SYSTEM)
        if slug != name and slug in SHAPES:
            return SHAPES[slug]
    return None


def concept_of(chart: Chart, el: Resource) -> El:
    """What a resource is about: its code, the event, or the type of the device used."""
    if el.kind == "AdverseEvent":
        return el.get("event")
    if el.kind == "DeviceUseStatement":
        device = chart.index.target(el.get("device"))
        return device.get("type") if device is not None else El(None, el.at)
    return el.get("code")


def read_shape(chart: Chart, el: Resource, shape: Shape) -> Found:
    """One item from a resource; its extension is read by the caller."""
    found = chart.item(shape.slug, el)
    found.own = True
    chart.set_id(found, el.text_of("id"), el.get("id"))
    if shape.word:
        concept = concept_of(chart, el)
        word = own_word(concept, shape.slug)
        if word:
            chart.set_value(found, shape.word, word, concept)
    stem = _TIME_OF.get(el.kind)
    if stem:
        chart.set_span(found, el, stem, shape.start, shape.end)
    elif el.kind == "AdverseEvent" and shape.start:
        chart.set_time(found, shape.start, el.get("date"))
    if shape.by:
        for person, place in performers(chart, el)[:1]:
            chart.set_value(found, shape.by, person, place)
    return found
