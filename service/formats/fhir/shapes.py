"""Items from resources that are written to our profile: their code, time and performer."""

from __future__ import annotations

from . import profile
from .chart import Chart, Found, own_word
from .people import set_performer
from .profile import SHAPES, TIME_ELEMENT, Shape
from .tree import El, Resource

_SYSTEM = profile.system("")


def own_shape(chart: Chart, el: Resource) -> Shape | None:
    """The list of which this resource is an item, by an extension or a coding of the profile; None where it has neither."""
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
    """The concept that says what a resource is about: its code, the event, or the type of the device used."""
    if el.kind == "AdverseEvent":
        return el.get("event")
    if el.kind == "DeviceUseStatement":
        device = chart.index.target(el.get("device"))
        return device.get("type") if device is not None else El(None, el.at)
    return el.get("code")


def read_shape(chart: Chart, el: Resource, shape: Shape) -> Found:
    """A new item with the id, code, time and performer of a resource; the caller reads its extension."""
    found = chart.item(shape.slug, el)
    found.own = True
    chart.set_id(found, el.text_of("id"), el.get("id"))
    if shape.word:
        concept = concept_of(chart, el)
        word = own_word(concept, shape.slug)
        if word:
            chart.set_value(found, shape.word, word, concept)
    stem = TIME_ELEMENT.get(el.kind)
    if stem:
        chart.set_span(found, el, stem, shape.start, shape.end)
    elif el.kind == "AdverseEvent" and shape.start:
        chart.set_time(found, shape.start, el.get("date"))
    if shape.by:
        set_performer(chart, found, shape.by, el)
    return found
