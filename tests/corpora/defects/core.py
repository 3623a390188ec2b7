"""A kind of defect, the list of them all, and the hands that change a record."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from tests.corpora.model import Document, Scene, scene

Change = Callable[[Document, Scene], None]


@dataclass(frozen=True)
class Defect:
    """One kind of defect: the rules that have to find it, what it changes, and on which kinds of restraint."""

    name: str
    expected: frozenset[str]
    change: Change
    #: Rules that may find something too: consequences that depend on the times drawn.
    may: frozenset[str]
    #: Parts of the record it touches: two defects of one episode share none.
    area: frozenset[str]
    kind: str = "both"


DEFECTS: list[Defect] = []


def defect(name: str, expected: str, area: str, kind: str = "both") -> Callable[[Change], Change]:
    """Register a defect. ``expected`` (``?`` before a mere consequence) and ``area`` are words with spaces between."""
    must = frozenset(f"RR-{number}" for number in expected.split() if number[0] != "?")
    may = frozenset(f"RR-{number[1:]}" for number in expected.split() if number[0] == "?")

    def register(change: Change) -> Change:
        DEFECTS.append(Defect(name, must, change, may, frozenset(area.split()), kind))
        return change

    return register


def put(name: str, expected: str, area: str, path: str, value: object, kind: str = "both") -> None:
    """A defect that sets one member (``None``: leaves it out) everywhere the path leads, ``*`` for every item."""
    steps = path.split("/")

    def walk(node: object, rest: list[str]) -> None:
        if isinstance(node, list):
            for item in node if rest[0] == "*" else [node[int(rest[0])]]:
                walk(item, rest[1:])
        elif isinstance(node, dict):
            if len(rest) > 1:
                walk(node[rest[0]], rest[1:])
            elif value is None:
                node.pop(rest[0], None)
            else:
                node[rest[0]] = value

    defect(name, expected, area, kind)(lambda document, _: walk(document, steps))


def keep_checks(document: Document, keep: Callable[[Document], bool]) -> None:
    document["monitoring"]["limb_checks"] = [c for c in document["monitoring"]["limb_checks"] if keep(c)]


def keep_vitals(document: Document, keep: Callable[[Document], bool]) -> None:
    document["monitoring"]["vitals"] = [v for v in document["monitoring"]["vitals"] if keep(v)]


def long_journey(one: Scene) -> None:
    if one.arrived - one.control < 18:
        raise ValueError("the journey is too short for this defect")


def first_dose(document: Document, **values: object) -> None:
    document["sedation"]["doses"][0] |= values


def add_dose(document: Document, one: Scene, minute: int = 10, **values: object) -> None:
    doses = document["sedation"]["doses"]
    doses.append(doses[0] | {"id": f"d{len(doses) + 1}", "time": one.at(one.dose_time + minute)} | values)


def worse(document: Document, one: Scene, **values: object) -> str:
    """One set after departure made worse; its time."""
    chosen = next(v for v in document["monitoring"]["vitals"] if v["time"] > one.at(one.departed + 2))
    chosen |= values
    return str(chosen["time"])


def police_there(document: Document, one: Scene) -> None:
    document["custody"] = scene(1, kind="police").document()["custody"] | {
        "arrived": one.at(0), "left": one.at(one.handover), "devices": [], "in_custody": False, "officer": "aboard",
    }  # fmt: skip


def face_cover(document: Document, one: Scene, cover: str, **more: object) -> None:
    if "none" in document["custody"]:
        police_there(document, one)
    document["custody"]["face_covers"] = [
        {"id": "m1", "cover": cover, "on": one.at(one.control), "off": one.at(one.arrived), **more}
    ]
