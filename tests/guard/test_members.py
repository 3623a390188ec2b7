"""A member of the record that is misspelled, or asked of the wrong object, does not pass the type check."""

from __future__ import annotations

import pickle
import subprocess
import sys
import typing
from copy import deepcopy
from pathlib import Path

import pytest

from service.episode import declaration, record
from service.episode.absence import MISSING, Absent
from service.episode.member_names import MemberName

ROOT = Path(__file__).parents[2]
CLASSES = [cls for cls in vars(record).values() if isinstance(cls, type) and issubclass(cls, declaration.Node)]

#: Line -> what mypy says of it; nothing for a line that is right.
LINES = {
    "when: Moment | Absent = episode.transport.departed": "",
    "epoch: int | None = episode.injuries.death.time.epoch": "",
    "drugs: list[str] = [dose.drug for dose in items(episode.sedation.doses)]": "",
    "where = place(episode, 'transport')": "",
    "column = Quantity('hr_high', 'hr', False, 130)": "",
    "when = episode.transport.departet": 'has no attribute "departet"',
    "when = episode.handover.departed": '"Handover | Absent" has no attribute "departed"',
    "epoch = episode.injuries.death.tine.epoch": '"Death | Absent" has no attribute "tine"',
    "flag: bool | Absent = episode.transport.departed": "Incompatible types in assignment",
    "drugs = [dose.drugg for dose in items(episode.sedation.doses)]": '"Dose" has no attribute "drugg"',
    "where = place(episode, 'transprot')": 'Argument 2 to "Evidence" has incompatible type',
    "column = Quantity('hr_high', 'heart', False, 130)": 'Argument 2 to "Quantity" has incompatible type',
    "spot: Spot = (episode, 'narrativ')": "Incompatible types in assignment",
}
HEAD = """from service.episode.absence import Absent
from service.episode.moment import Moment
from service.episode.record import Episode
from service.facts.compared import Spot
from service.facts.fact import place
from service.facts.quantities import Quantity
from service.facts.entries import items

"""


def test_a_misspelled_member_does_not_pass_the_type_check(tmp_path: Path, mypy_cache: Path) -> None:
    asked = tmp_path / "asked.py"
    body = "\n\n".join(f"def line_{n}(episode: Episode) -> None:\n    {line}" for n, line in enumerate(LINES))
    asked.write_text(f"{HEAD}\n{body}\n", encoding="utf-8")
    command = [sys.executable, "-m", "mypy", "--no-error-summary", "--cache-dir", str(mypy_cache), str(asked)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=300)
    said = dict.fromkeys(LINES, "")
    rows = asked.read_text("utf-8").splitlines()
    for told in done.stdout.splitlines():
        _, number, kind, text = told.split(":", 3)
        if kind.strip() == "error":
            said[rows[int(number) - 1].strip()] = text.strip()
    wrong = [(line, text) for line, text in said.items() if bool(text) != bool(LINES[line]) or LINES[line] not in text]
    assert wrong == []


def test_the_names_are_those_of_the_declared_members() -> None:
    assert set(typing.get_args(MemberName)) == {m.name for cls in CLASSES for m in declaration.members(cls)}


@pytest.mark.parametrize("absent", [MISSING, Absent("declined", "other")])
def test_the_members_of_an_absent_section_are_absent_with_it(absent: Absent) -> None:
    episode = record.Episode(episode_ref="E", injuries=absent)
    assert episode.injuries.death.time is absent
    assert episode.injuries.death.time.epoch is None
    for name in ("when", "tine", "__len__"):
        with pytest.raises(AttributeError):
            getattr(absent, name)
    assert deepcopy(absent) is pickle.loads(pickle.dumps(absent)) is absent


@pytest.mark.parametrize("name", ["state", "reason", "epoch", "none"])
def test_a_section_has_no_member_that_an_absence_has_itself(name: str) -> None:
    with pytest.raises(TypeError, match=name):
        type(declaration.Node)("Section", (declaration.Node,), {name: declaration.member(declaration.Flag("."))})
