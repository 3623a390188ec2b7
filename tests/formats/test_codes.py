"""A code with a slip in it is a code that nobody sends: what it means would be lost without a word.

The standards guard their codes: SNOMED CT by a Verhoeff digit (SNOMED International, Release File Specification, 5.5),
LOINC by a Luhn digit (LOINC User's Guide, appendix on the check digit). NEMSIS codes have seven digits and an element has
a section and two digits (NEMSIS 3.5.1 data dictionary).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator

import pytest
from stdnum import luhn, verhoeff

from service.formats import diagnoses, procedures, rxnorm
from service.formats.fhir import codes as fhir
from service.formats.nemsis import codes as nemsis

ELEMENT = re.compile(r"e(?:[A-Z][a-z]+)+\.\d\d(?: [A-Za-z0-9]+)?")
#: Signs of the absence of a value, which the schema puts into attributes.
STATES = re.compile(r"NV|PN( (in place of a value|of (any value|a finding|a list|e[A-Z][a-z]+\.\d\d)))?")
#: Codes with another check digit that charts carry: US Core writes the first, the second has been seen for 8332-9.
AS_SENT = {"3150-6", "8332-5"}
#: ePayment.47 has the two digits of the billing code that it stands for.
SHORT = {"ePayment.47": r"\d\d"}


def rows() -> Iterator[tuple[str, str, str]]:
    """(table, system, code) of every FHIR table."""
    for name, table in vars(fhir).items():
        if isinstance(table, fhir.Table):
            yield from ((name, row.system, row.code) for row in table.rows)


def test_there_are_codes_of_both_guarded_systems() -> None:
    systems = [system for _, system, _ in rows()]
    assert systems.count(fhir.SNOMED) > 100 and systems.count(fhir.LOINC) > 20


@pytest.mark.parametrize(
    ("system", "valid"),
    [(fhir.SNOMED, verhoeff.is_valid), (fhir.LOINC, lambda code: luhn.is_valid(code.replace("-", "")))],
)
def test_check_digits(system: str, valid: Callable[[str], bool]) -> None:
    codes = {
        (name, code) for name, of, code in rows() if of == system and not code.startswith("LA") and code not in AS_SENT
    }
    assert [pair for pair in sorted(codes) if not valid(pair[1])] == []


def test_codes_of_procedures_and_diagnoses_are_of_a_system() -> None:
    snomed = set(procedures.PROCEDURES)
    assert [code for code in sorted(snomed) if not verhoeff.is_valid(code)] == []
    assert [
        code for code in rxnorm.MEDICATIONS if not (re.fullmatch(r"\d{1,7}", code) or verhoeff.is_valid(code))
    ] == []
    # Of ICD-10-CM a block may stand for all that begins with it.
    icd = re.compile(r"[A-Z]\d([0-9A-Z](\.[0-9A-Z]{1,4})?)?")
    for table in (diagnoses.SYMPTOMS, diagnoses.IMPRESSIONS, diagnoses.HISTORY):
        assert [code for code in table if not icd.fullmatch(code)] == []


def test_elements_and_codes_of_nemsis() -> None:
    for element, table in nemsis.BY_ELEMENT.items():
        assert ELEMENT.fullmatch(element) or STATES.fullmatch(element), element
        shape = re.compile(SHORT.get(element, r"\d{7}"))
        assert [code for code in table if not shape.fullmatch(code)] == [], element
    for element in (*nemsis.BY_ELEMENT_OF_OTHERS, *nemsis.HELPERS):
        assert ELEMENT.fullmatch(element), element


def test_another_spelling_of_a_system_is_an_oid() -> None:
    """An OID is "urn:oid:" and numbers without a leading zero (RFC 3061)."""
    assert all(re.fullmatch(r"urn:oid:[0-2](\.(0|[1-9]\d*))+", name) for name in fhir.SAME_SYSTEM)
