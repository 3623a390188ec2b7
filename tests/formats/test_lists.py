"""Every code of the defined lists of NEMSIS 3.5.1 has a meaning in our tables, or stands there with a word why not.

Source: the lists of procedures, medications, symptoms and impressions that the
standard body publishes. They are no part of this repository: number and SHA-256
of their sorted codes stand here, and our tables are held against those on every
machine. Where the lists lie beside the repository, the digests are held against
them too.
"""

from __future__ import annotations

import csv
import hashlib
from collections.abc import Iterable

import pytest

from service.episode import words
from service.episode.drugs import DRUGS
from service.formats import diagnoses, procedures, rxnorm
from service.formats.fhir import codes as fhir_codes
from service.formats.fhir.codes import RXNORM, SNOMED
from service.formats.meaning import KINDS, Meanings
from tests.support.nemsis import chart, el, medication, procedure
from tests.support.standards import shared

#: List -> (our table, number of codes, digest).
LISTS: dict[str, tuple[Meanings, int, str]] = {
    "Procedure": (procedures.LISTED, 115, "c9ea22436184f44831a9dfa8543c823ca0b4eace1642fb0f686a95b1d75c0517"),
    "Medication": (rxnorm.LISTED, 70, "67ed7f8ea4945b792181998561d9b939e847be971bd9e36c6f4986356fa58739"),
    "Symptom": (diagnoses.SYMPTOMS, 124, "e4f1debd23b5f5bcedd32a4d89d4534deaf63fa8981f56949652f88b72b058e6"),
    "Impression": (diagnoses.IMPRESSIONS, 122, "4a83d80761350ab6a08bfdc074353ff87508eda20b6537946eb30c5f03813ddc"),
}


def _digest(codes: Iterable[str]) -> str:
    return hashlib.sha256("\n".join(sorted(codes)).encode()).hexdigest()


@pytest.mark.parametrize("name", LISTS)
def test_our_table_holds_the_codes_of_the_list_and_no_other(name: str) -> None:
    table, number, digest = LISTS[name]
    assert (len(table), _digest(table)) == (number, digest)


@pytest.mark.parametrize("name", LISTS)
def test_the_list_itself_has_no_code_in_neither(name: str) -> None:
    table, number, digest = LISTS[name]
    with shared(f"nemsis/lists/{name}.csv").open(encoding="utf-8") as file:
        listed = [row["Value"] for row in csv.DictReader(file)]
    assert [code for code in listed if code not in table] == []
    assert (len(listed), _digest(listed)) == (number, digest)


@pytest.mark.parametrize("name", LISTS)
def test_a_meaning_is_a_word_of_the_record_and_what_is_left_aside_says_why(name: str) -> None:
    known = {
        "action": set(words.ACTIONS),
        "drug": {*DRUGS, "other"},
        "event": set(words.EVENTS),
        "monitor": {"capnography", "oximetry", "ecg", "observation"},
    }
    for code, meaning in LISTS[name][0].items():
        assert meaning.kind in KINDS
        assert meaning.word in known.get(meaning.kind, {meaning.word}), code
        assert meaning.word.strip()
        assert meaning.source == "read", code


def test_a_code_from_memory_stands_in_no_list() -> None:
    for beyond, listed in ((procedures.BEYOND, procedures.LISTED), (rxnorm.BEYOND, rxnorm.LISTED)):
        assert not beyond.keys() & listed.keys()


@pytest.mark.parametrize("code", [code for code, each in procedures.PROCEDURES.items() if each.kind == "action"])
def test_both_readers_take_a_procedure_for_the_same_action(code: str) -> None:
    word = procedures.PROCEDURES[code].word
    assert fhir_codes.ACTIONS.by_code[SNOMED, code] == word
    made = chart(eProcedures=procedure() + procedure(code, "18:05")).episode.monitoring.actions
    assert [action.action for action in made] == [word]


@pytest.mark.parametrize("code", [code for code, each in rxnorm.MEDICATIONS.items() if each.kind != "aside"])
def test_both_readers_take_a_drug_for_the_same(code: str) -> None:
    meaning = rxnorm.MEDICATIONS[code]
    system = SNOMED if code in rxnorm.BLOOD else RXNORM
    table = fhir_codes.INGREDIENTS if meaning.kind == "drug" else fhir_codes.ANSWERING_DRUGS
    assert table.by_code[system, code] == meaning.word
    episode = chart(eMedications=medication(code=code), eVitals=el("eVitals.VitalGroup")).episode
    if meaning.kind == "drug":
        assert [dose.drug for dose in episode.sedation.doses] == [meaning.word]
    else:
        assert [action.action for action in episode.monitoring.actions] == [meaning.word]


def test_red_cells_are_volume_and_no_oxygen() -> None:
    assert rxnorm.MEDICATIONS["71493000"].word == "fluid"
    assert "oxygen_given" not in {each.word for each in rxnorm.BLOOD.values()}


def test_a_longer_code_is_read_as_the_longest_that_it_begins_with() -> None:
    found = [diagnoses.begins_with(code, diagnoses.IMPRESSIONS) for code in ("S06.0X0A", "S06.0X9A", "i46.9", "Q99.9")]
    assert [each and (each.kind, each.word) for each in found] == [
        ("injury", "head_injury"),
        ("injury", "head_injury"),
        ("event", "arrest"),
        None,
    ]
