"""The words that a rule may use: kinds of fact, their attributes, units.

They come from ``vocabulary.yaml`` and from the declaration of the record, so
that a member of the record is declared once.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from service.episode import declaration, record, words
from service.episode.pointers import class_paths
from service.narrative.families import Family
from service.wording.labels import member_label

#: Unit of a whole-number member -> unit of its attribute, which has the same value.
WHOLE_UNITS = {
    "wk": "wk",
    "deg": "deg",
    "ms": "ms",
    "s": "s",
    "": "count",
    "/min": "/min",
    "%": "%",
    "mm[Hg]": "mm[Hg]",
}


#: Units of parameters that tell scales of one unit apart -> the unit in UCUM.
_UCUM = {"mmHg-etco2": "mm[Hg]", "refill-s": "s"}


def ucum(unit: str) -> str:
    """The UCUM unit of a parameter."""
    return _UCUM.get(unit, unit)


@dataclass(frozen=True, slots=True)
class Attribute:
    """One attribute of a kind of fact. ``type``: int, bool or enum; ``values``: the words of an enum.

    ``from_record``: it stands in the record as it is, so that a rule may ask whether it is missing or declined.
    ``inputs``: paths of the contract (``*`` for indexes) of the members that it follows from.
    """

    name: str
    type: str
    unit: str
    label: str
    values: frozenset[str]
    from_record: bool
    inputs: tuple[str, ...] = ()

    @property
    def meaning(self) -> str:
        """What it says, in words: when it is true, which words it has, or in which unit it counts."""
        if self.type == "bool" and self.from_record:
            return f"{self.label}, as charted; of a time, a text or an id only whether there is one"
        if self.type == "bool":
            return f"true when {self.label}"
        if self.type == "enum":
            return f"{self.label}; one of {', '.join(sorted(self.values))}"
        return f"{self.label}, in {self.unit}" if self.unit else self.label


@dataclass(frozen=True, slots=True)
class FactKind:
    """One kind of fact. ``when_none``: the outcome of its rules where the list it is ``drawn_from`` holds no such fact.

    ``danger``: of a kind whose facts are dangers to the patient, the attribute that says which; else empty.
    ``derived``: names of the attributes that the facts layer works out, those of the whole episode and of the fact's
    own time among them.
    """

    name: str
    doc: str
    when_none: str
    drawn_from: str
    danger: str
    attributes: Mapping[str, Attribute]
    derived: frozenset[str]


@dataclass(frozen=True, slots=True)
class Vocabulary:
    """Everything a rule may say. ``units``: unit of a parameter -> (unit of the attributes it fits, factor)."""

    phases: tuple[str, ...]
    categories: tuple[str, ...]
    severities: tuple[str, ...]
    concerns: tuple[str, ...]
    handlers: tuple[str, ...]
    dues: tuple[str, ...]
    confidence: tuple[str, ...]
    units: Mapping[str, tuple[str, int]]
    kinds: Mapping[str, FactKind]

    @property
    def catalogue(self) -> dict[str, Mapping[str, Attribute]]:
        """Kind of fact -> attribute name -> attribute."""
        return {name: kind.attributes for name, kind in self.kinds.items()}

    @property
    def when_none(self) -> dict[str, str]:
        """Kind of fact -> outcome of its rules where its list is recorded and holds none."""
        return {name: kind.when_none for name, kind in self.kinds.items()}


def _words_of(reference: str, families: Mapping[str, Family]) -> frozenset[str]:
    if reference == "families":
        return frozenset(families)
    if reference == "families as told":
        return frozenset(f"told_{name}" for name in families)
    if reference == "parts of families":
        return frozenset(part for family in families.values() for part in family.parts.values())
    if "." not in reference:
        return frozenset(getattr(words, reference))
    cls, name = reference.split(".")
    member = declaration.by_name(getattr(record, cls)).get(name)
    if member is None or not isinstance(member.kind, (declaration.Code, declaration.Codes)):
        raise KeyError(reference)
    return frozenset(member.kind.words)


def _declared(
    name: str, entry: Mapping[str, Any], families: Mapping[str, Family], inputs: tuple[str, ...] = ()
) -> Attribute:
    kind, from_record = entry["type"], bool(entry.get("from_record"))
    if kind == "word":
        words = _words_of(entry["words_of"], families) if "words_of" in entry else frozenset(entry["words"])
        return Attribute(name, "enum", "", entry["label"], words, from_record, inputs)
    return Attribute(name, kind, entry.get("unit", ""), entry["label"], frozenset(), from_record, inputs)


def _paths() -> dict[type, tuple[str, ...]]:
    """Class of the record -> the paths of its objects."""
    out: dict[type, tuple[str, ...]] = {}
    for path, cls in class_paths():
        out[cls] = (*out.get(cls, ()), path)
    return out


def _of_parts(unit: str) -> str:
    """The unit of the attribute of a decimal member: ``kg/10`` for tenths of a kg."""
    factor = declaration.WHOLE[unit]
    return (unit or "count") + (f"/{factor}" if factor > 1 else "")


def member_attributes(cls: type, at: tuple[str, ...], prefix: str = "") -> dict[str, Attribute]:
    """The attributes that the members of a class of the record give, by name: ``prefix`` and the member's name.

    ``at``: paths of its objects.
    """
    out: dict[str, Attribute] = {}

    def add(name: str, kind: str, unit: str = "", values: frozenset[str] = frozenset()) -> None:
        inputs = tuple(f"{path}/{member.name}" for path in at)
        out[prefix + name] = Attribute(prefix + name, kind, unit, member_label(name), values, True, inputs)

    for member in declaration.members(cls):
        spec = member.kind
        if member.name in declaration.NOT_ASKED:
            continue
        if isinstance(spec, declaration.Flag):
            add(member.name, "bool")
        elif isinstance(spec, declaration.Code):
            add(member.name, "enum", values=frozenset(spec.words))
        elif isinstance(spec, declaration.Codes):
            add(member.name, "int", "count")
            for word in spec.words:
                add(f"{member.name}_has_{word.replace('-', '_')}", "bool")
        elif isinstance(spec, declaration.Int):
            add(member.name, "int", WHOLE_UNITS[spec.unit])
        elif isinstance(spec, declaration.Num):
            add(member.name, "int", _of_parts(spec.unit))
        elif isinstance(spec, (declaration.Items, declaration.Idents)):
            add(member.name, "int", "count")
        elif isinstance(spec, declaration.Part):
            add(member.name, "bool")
            inside = tuple(f"{path}/{member.name}" for path in at)
            out.update(member_attributes(spec.of, inside, f"{prefix}{member.name}_"))
        else:  # times, ids, text: only their state can be asked for
            add(member.name, "bool")
    return out


def section_attributes() -> dict[str, Attribute]:
    """The attributes of all sections, named ``<section>_<member>``; a section that is a list gives its length."""
    out: dict[str, Attribute] = {}
    for member in declaration.members(record.Episode):
        if isinstance(member.kind, declaration.Part):
            out.update(member_attributes(member.kind.of, (f"/{member.name}",), f"{member.name}_"))
        elif isinstance(member.kind, declaration.Items):
            path = (f"/{member.name}",)
            out[member.name] = Attribute(member.name, "int", "count", member.name, frozenset(), True, path)
    return out


def _merge(into: dict[str, Attribute], more: Mapping[str, Attribute]) -> None:
    for name, attribute in more.items():
        known = into.get(name)
        if known is None:
            into[name] = attribute
        elif known.type == attribute.type == "enum":
            values = known.values | attribute.values
            inputs = known.inputs + attribute.inputs
            into[name] = Attribute(name, "enum", "", known.label, values, known.from_record, inputs)
        elif known.type != attribute.type:
            raise ValueError(f"attribute {name} has two types")


def parse(
    data: Mapping[str, Any], inputs: Mapping[str, Mapping[str, list[str]]], families: Mapping[str, Family]
) -> Vocabulary:
    """The vocabulary from the loaded ``vocabulary.yaml`` and ``inputs.yaml``, and the families of the narrative.

    Raises KeyError or ValueError where they are wrong.
    """
    at = _paths()
    fact_kinds: dict[str, FactKind] = {}
    for name, entry in data["kinds"].items():
        attributes: dict[str, Attribute] = {}
        for cls in entry.get("members_of", []):
            _merge(attributes, member_attributes(getattr(record, cls), at[getattr(record, cls)]))
        if entry.get("sections"):
            _merge(attributes, section_attributes())
        shared = {k: v for k, v in data["shared"].items() if k.startswith("ep_") or entry.get("shared_at")}
        derived = {**entry.get("derived", {}), **shared}
        follows_from = inputs.get(name, {})
        for key, declared in derived.items():
            attributes[key] = _declared(key, declared, families, tuple(follows_from.get(key, ())))
        fact_kinds[name] = FactKind(
            name,
            entry["doc"],
            entry["when_none"],
            entry["drawn_from"],
            entry.get("danger", ""),
            attributes,
            frozenset(derived),
        )
    units = {name: (entry["attribute"], entry["factor"]) for name, entry in data["units"].items()}
    return Vocabulary(
        tuple(data["phases"]),
        tuple(data["categories"]),
        tuple(data["severities"]),
        tuple(data["concerns"]),
        tuple(data["handlers"]),
        tuple(data["dues"]),
        tuple(data["confidence"]),
        units,
        fact_kinds,
    )
