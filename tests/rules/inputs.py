"""Writes ``rules/inputs.yaml``: from which members of the record each worked-out attribute follows.

``python -m tests.rules.inputs --write``. Nothing is guessed: in records of the
corpora one member at a time is taken out, or marked as not collected, and the
attributes are listed that are not known any more.
"""

from __future__ import annotations

import argparse
import copy
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from service.facts.fact import Fact
from service.intake.not_collected import PATHS
from service.problems import Rejected
from service.resources import rules_directory
from tests.corpora.defects import several
from tests.corpora.model import clean
from tests.support.episodes import Document, sheet
from tests.support.pipeline import demo, demo_names, pipeline

FILE = "inputs.yaml"
_HEAD = """\
# From which members of the record each worked-out attribute follows (paths of the contract, * for indexes), so that a
# review can say what is not there when an attribute is not known.
# Written by python -m tests.rules.inputs --write, which takes one member at a time out of the records of the corpora.

"""
#: (kind, key, how many of that before it) of a fact.
_Place = tuple[str, str, int]


def records() -> list[Document]:
    """The records in which members are taken out."""
    cases = [case.document for case in clean(12)] + [case.faulty for case in several(12)]
    poor_limb = demo("exemplary")
    poor_limb["monitoring"]["limb_checks"][-1] |= {"motor": "reduced", "pulse": "absent"}
    return [demo(name) for name in demo_names()] + [poor_limb] + cases


def _without(document: Document, path: str) -> Document | None:
    """The record without the member, or None where it does not have it."""
    out, taken = copy.deepcopy(document), False
    *parts, last = path.split("/")[1:]
    holders: list[Any] = [out]
    for part in parts:
        if part == "*":
            holders = [item for holder in holders if isinstance(holder, list) for item in holder]
        else:
            holders = [holder[part] for holder in holders if isinstance(holder, dict) and part in holder]
    for holder in holders:
        if isinstance(holder, dict) and last in holder:
            del holder[last]
            taken = True
    return out if taken else None


def _known(document: Document) -> dict[_Place, Fact]:
    out: dict[_Place, Fact] = {}
    for fact in sheet(document).facts:
        number = 0
        while (fact.kind, fact.key, number) in out:
            number += 1
        out[fact.kind, fact.key, number] = fact
    return out


def lost(document: Document, path: str) -> Iterator[tuple[str, str]]:
    """(kind, attribute) of what is not known any more without a member, or when its sender has no place for it."""
    without = _without(document, path)
    if without is None:
        return
    before = _known(document)
    for changed in (without, {**without, "not_collected": [path]}):
        try:
            after = _known(changed)
        except Rejected:  # an item without what says which thing it is cannot be read
            continue
        for place, fact in before.items():
            if place in after:
                yield from ((fact.kind, name) for name in fact.values.keys() - after[place].values.keys())


def deepest(paths: Iterable[str]) -> list[str]:
    """The paths below which no other path lies, in the order of the contract."""
    found = set(paths)
    return [path for path in PATHS if path in found and not any(other.startswith(f"{path}/") for other in found)]


def inputs() -> dict[str, dict[str, list[str]]]:
    """Kind -> worked-out attribute -> paths."""
    seen: dict[tuple[str, str], set[str]] = {}
    for document in records():
        for path in PATHS:
            for attribute in lost(document, path):
                seen.setdefault(attribute, set()).add(path)
    out: dict[str, dict[str, list[str]]] = {}
    for kind, of in pipeline().rulebook.vocabulary.kinds.items():
        worked_out = {
            name: deepest(seen[kind, name]) for name in of.attributes if name in of.derived and (kind, name) in seen
        }
        if worked_out:
            out[kind] = worked_out
    return out


def text(found: dict[str, dict[str, list[str]]]) -> str:
    """The file."""
    lines = []
    for kind, attributes in found.items():
        lines.append(f"{kind}:")
        for name, paths in attributes.items():
            lines.append(f"  {name}:")
            lines += [f'    - "{path}"' if "*" in path else f"    - {path}" for path in paths]
    return _HEAD + "\n".join(lines) + "\n"


def main() -> None:
    """The command."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--write", action="store_true")
    made = text(inputs())
    path = Path(rules_directory()) / FILE
    if parser.parse_args().write:
        path.write_text(made, "utf-8")
    else:
        print(made)


if __name__ == "__main__":
    main()
