"""The files of the narrative: an agency's beside the shipped, and one clear line for each slip."""

from __future__ import annotations

from pathlib import Path

import pytest

from service.narrative.reader import Reader
from service.resources import rules_directory
from service.rulebook.load import RulebookError, load_rulebook
from service.rulebook.narrative_files import load_narrative

NEW = """family: shoes
says: The patient had no shoes.
held_against: []
reading: present
patterns:
  - no shoes
  - barefoot
proves:
  - He had no shoes.
  - She was barefoot.
innocent:
  - He has shoes.
"""
ADDED = """family: position
patterns:
  - nose to the deck
proves:
  - Held nose to the deck.
"""


def agency(folder: Path, **files: str) -> Path:
    (folder / "narrative").mkdir()
    for name, text in files.items():
        (folder / "narrative" / f"{name}.yaml").write_text(text, encoding="utf-8")
    return folder


def loaded(folder: Path, **files: str) -> Reader:
    reader, _, slips = load_narrative(rules_directory(), agency(folder, **files))
    assert reader is not None, slips
    return reader


def slips(folder: Path, **files: str) -> list[str]:
    reader, _, found = load_narrative(rules_directory(), agency(folder, **files))
    assert reader is None
    return found


def test_the_shipped_families_are_read_and_proved() -> None:
    reader, _, found = load_narrative(rules_directory())
    assert found == []
    assert reader is not None
    assert len(reader.families) == 26
    assert all(family.patterns and family.proves for family in reader.families.values())


def test_an_agency_brings_a_family_of_its_own(tmp_path: Path) -> None:
    (hit,) = loaded(tmp_path, shoes=NEW).read("He was barefoot.")
    assert (hit.family, hit.assertion, hit.pattern) == ("shoes", "affirmed", "barefoot")


def test_an_agency_adds_wordings_to_a_family(tmp_path: Path) -> None:
    reader = loaded(tmp_path, position=ADDED)
    assert [hit.family for hit in reader.read("Nose to the deck.")] == ["position"]
    assert [hit.family for hit in reader.read("Placed prone.")] == ["position"]


def test_the_wordings_of_the_guide_are_read(tmp_path: Path) -> None:
    guide = (rules_directory() / "README.md").read_text(encoding="utf-8")
    block = guide.split("<!-- wordings -->")[1].split("```")[1].removeprefix("yaml\n")
    assert [hit.family for hit in loaded(tmp_path, position=block).read("Nose to the deck.")] == ["position"]


def test_a_rule_may_ask_for_an_agencys_family(tmp_path: Path) -> None:
    book = load_rulebook(rules_directory(), agency(tmp_path, shoes=NEW))
    assert "shoes" in book.vocabulary.kinds["phrase"].attributes["family"].values
    assert book.digest != load_rulebook(rules_directory()).digest


@pytest.mark.parametrize(
    ("change", "line"),
    [
        (("  - barefoot\n", "  - barefoot\n  - in socks\n"), "shoes: patterns: 'in socks': no example proves it"),
        (("He has shoes.", "They had no shoes."), "shoes: innocent: 'They had no shoes.': found by 'no shoes'"),
        (("She was barefoot.", "She was not barefoot."), "shoes: proves: 'She was not barefoot.': no pattern finds it"),
        (("no shoes\n  - b", "no {shoe}\n  - b"), "shoes: 'no {shoe}': there is no list of words {shoe}"),
        (("no shoes\n  - b", "... shoes\n  - b"), "shoes: '... shoes': begins with ..."),
        (("no shoes\n  - b", '"[no] [shoes]"\n  - b'), "shoes: '[no] [shoes]': nothing in it has to be said"),
        (("no shoes\n  - b", "no-shoes\n  - b"), "shoes: 'no-shoes': 'no-shoes' is not made of words"),
        (("barefoot\nproves", "no shoes\nproves"), "shoes.yaml: patterns: no shoes: stands there twice"),
        (("reading: present", "reading: aloud"), "shoes.yaml: reading: one of act, state, given,"),
        (("family: shoes", "family: boots"), "shoes.yaml: file name is <family>.yaml"),
        (("family: shoes", "family: Our Shoes"), "shoes.yaml: family: small letters and _"),
        (("held_against: []\n", ""), "shoes.yaml: missing: held_against"),
        (("patterns:", "paterns:"), "shoes.yaml: missing: patterns"),
        (("reading: present\n", "reading: present\nwhy: x\n"), "shoes.yaml: unknown: why"),
        (("says: The patient had no shoes.", "says: no shoes"), "shoes.yaml: says: a sentence"),
        (("  - barefoot", "  barefoot"), "shoes.yaml"),
    ],
)
def test_a_slip_is_one_clear_line(tmp_path: Path, change: tuple[str, str], line: str) -> None:
    text = NEW.replace(*change)
    assert text != NEW
    found = slips(tmp_path, shoes=text)
    assert any(line in one for one in found), found
    assert all("\n" not in one for one in found)


def test_what_an_agency_may_not_change_in_a_family(tmp_path: Path) -> None:
    found = slips(tmp_path, position=ADDED.replace("patterns:", "reading: present\npatterns:", 1))
    assert found == ["narrative/position.yaml: reading: stands in the family that is there already"]


def test_a_family_with_parts_says_which(tmp_path: Path) -> None:
    text = "family: purpose\npatterns:\n  - for the show\nproves:\n  - Tied for the show.\n"
    assert "patterns: under one of convenience, police, punishment" in slips(tmp_path, purpose=text)[0]


def test_a_wrong_family_stops_the_rulebook(tmp_path: Path) -> None:
    with pytest.raises(RulebookError) as caught:
        load_rulebook(rules_directory(), agency(tmp_path, shoes=NEW.replace("proves:", "prove:")))
    assert caught.value.lines == ["narrative/shoes.yaml: missing: proves"]
