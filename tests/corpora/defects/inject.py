"""Episodes with defects, one or several at a time, beside their clean record."""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass

from tests.corpora.defects.core import DEFECTS, Defect, first_dose
from tests.corpora.model import Document, Scene, scene


def base(kind: str, rng: random.Random) -> tuple[Document, Scene]:
    """A clean adult of the default profile, sedated with 5 mg of midazolam IM where there is a sedative."""
    while True:
        one = scene(rng.randint(10_000, 99_999), "default", kind)
        if 19 <= one.age < 60 and one.arrived - one.departed >= 18 and one.weight >= 60:
            break
    document = one.document()
    document["patient"]["substances"] = []
    if one.sedated:
        first_dose(document, drug="midazolam", dose=5, route="im")
    return document, one


#: After a death, an arrest or an injury the author is not asked what was done: that goes to review alone.
_ASKED_OF_THE_UNHARMED = frozenset(f"RR-{number}" for number in range(1463, 1471))


@dataclass(frozen=True)
class Injected:
    """An episode with defects: the clean record, the faulty one, and the rules that have to find something."""

    names: tuple[str, ...]
    clean: Document
    faulty: Document
    expected: frozenset[str]
    may: frozenset[str]


def _harmed(document: Document) -> bool:
    injuries = document.get("injuries", {})
    return bool(injuries.get("death", {}).get("died") or injuries.get("patient") or injuries.get("complications"))


def inject(chosen: list[Defect], rng: random.Random) -> Injected:
    kind = chosen[0].kind
    state = rng.getstate()
    clean, _ = base(kind, rng)
    rng.setstate(state)
    faulty, one = base(kind, rng)
    for one_defect in chosen:
        one_defect.change(faulty, one)
    expected = frozenset().union(*(d.expected for d in chosen))
    if _harmed(faulty):
        expected -= _ASKED_OF_THE_UNHARMED
    return Injected(
        tuple(d.name for d in chosen),
        clean,
        faulty,
        expected,
        frozenset().union(*(d.may for d in chosen)),
    )


def singles(seed: str = "") -> Iterator[Injected]:
    """Every kind of defect alone."""
    for chosen in DEFECTS:
        yield inject([chosen], random.Random(f"one {seed} {chosen.name}"))


def several(count: int, seed: str = "") -> Iterator[Injected]:
    """Two to four defects in one record, none touching what another touches."""
    rng = random.Random(f"several {seed}")
    for _ in range(count):
        kind = rng.choice(("both", "both", "straps"))
        chosen: list[Defect] = []
        for one in rng.sample(DEFECTS, len(DEFECTS)):
            touched = {area for c in chosen for area in c.area}
            if one.kind == kind and not touched & one.area and not {"monitoring"} & (touched | one.area):
                chosen.append(one)
            if len(chosen) == 4:
                break
        yield inject(chosen[: rng.randint(2, 4)], rng)
