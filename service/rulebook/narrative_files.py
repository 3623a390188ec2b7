"""Reads the families of the narrative from their files, an agency's beside the shipped ones, and proves them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from service.intake import strict_yaml
from service.narrative import families, proofs
from service.narrative.families import FamilySlip
from service.narrative.reader import Reader

FOLDER, SHARED = "narrative", "shared"


def load_narrative(directory: Path, extra: Path | None = None) -> tuple[Reader | None, list[Any], list[str]]:
    """(reader, the loaded data of every file, one line for each thing that is wrong).

    ``directory``: the rulebook; ``extra``: an agency's folder of the same shape, whose files add wordings to a family or
    bring one of their own. There is no reader where something is wrong.
    """
    slips: list[str] = []
    data: list[Any] = []
    shared: dict[str, Any] = {}
    for name, read in (("words", families.read_words), ("modifiers", families.read_context)):
        path = directory / FOLDER / SHARED / f"{name}.yaml"
        try:
            data.append(strict_yaml.load(path))
            shared[name] = read(data[-1])
        except (strict_yaml.YamlError, FamilySlip, KeyError, TypeError, AttributeError) as error:
            slips.append(_line(path, error))
    if slips:
        return None, data, slips
    found: dict[str, families.Family] = {}
    for folder in (directory, extra):
        paths = sorted((folder / FOLDER).glob("*.yaml")) if folder is not None else []
        for path in paths:
            try:
                loaded = strict_yaml.load(path)
                data.append(loaded)
                known = found.get(path.stem) if folder is extra else None
                if known is not None:
                    found[known.name] = families.add_to(known, loaded)
                else:
                    family = families.read_family(loaded, shared["modifiers"].readings)
                    if family.name != path.stem:
                        raise FamilySlip("file name is <family>.yaml")
                    found[family.name] = family
            except (strict_yaml.YamlError, FamilySlip, TypeError, AttributeError) as error:
                slips.append(_line(path, error))
    if slips:
        return None, data, slips
    listed = [found[name] for name in sorted(found)]
    try:
        reader = Reader(families.Declared(listed, shared["words"], shared["modifiers"]))
    except FamilySlip as slip:
        return None, data, [f"{FOLDER}: {slip}"]
    slips = [f"{FOLDER}/{line}" for line in proofs.slips(reader)]
    return (None if slips else reader), data, slips


def _line(path: Path, error: Exception) -> str:
    told = str(error) if isinstance(error, (strict_yaml.YamlError, FamilySlip)) else f"{type(error).__name__}: {error}"
    return f"{path.parent.name}/{path.name}: {told}"
