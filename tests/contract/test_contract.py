"""openapi.yaml is the contract: valid, complete, and equal to what the code declares."""

from __future__ import annotations

import re
from typing import Any

import openapi_spec_validator

from service.api.contract import with_generated
from service.app import create_app
from service.intake import strict_json
from service.problems import PROBLEMS
from service.resources import openapi_path
from service.settings import Settings
from tests.contract.checked import Client, Contract
from tests.support.pipeline import pipeline


def test_the_contract_is_valid() -> None:
    # Checked by openapi-spec-validator against the published OpenAPI 3.1 schema.
    openapi_spec_validator.validate(Contract().document)


def test_routes_and_contract_are_the_same() -> None:
    rules = create_app(Settings(), pipeline()).url_map.iter_rules()
    served = {
        (re.sub(r"<(?:\w+:)?\w+>", "{}", rule.rule), method)
        for rule in rules
        for method in (rule.methods or set()) - {"HEAD", "OPTIONS"}
    }
    described = {
        (re.sub(r"\{\w+\}", "{}", path), method.upper())
        for path, operations in Contract().document["paths"].items()
        for method in operations
    }
    assert served == described


def test_generated_parts_are_equal_to_the_model() -> None:
    text = openapi_path().read_text("utf-8")
    assert with_generated(text) == text, "python -m service.api.contract --write"


def test_problem_codes_are_those_of_the_table() -> None:
    described = Contract().document["components"]["schemas"]["Problem"]["properties"]["code"]["enum"]
    assert set(described) == set(PROBLEMS)
    assert len(described) == len(PROBLEMS)


def test_every_code_of_the_reader_is_in_the_table() -> None:
    assert {code: PROBLEMS[code].status for code in strict_json._DETAILS} == dict.fromkeys(strict_json._DETAILS, 400)


def test_every_response_says_its_codes() -> None:
    told = {
        code
        for response in [
            *Contract().document["components"]["responses"].values(),
            Contract().document["paths"]["/cds-services/{service}"]["post"]["responses"]["412"],
        ]
        for code in re.findall(r"`([a-z0-9-]+)`", response["description"])
    }
    assert set(PROBLEMS) <= told


def _examples(contract: Contract) -> dict[str, Any]:
    post = contract.document["paths"]["/v1/reviews"]["post"]
    return {
        name: each["value"] for name, each in post["requestBody"]["content"]["application/json"]["examples"].items()
    }


def test_the_examples_are_reviewed() -> None:
    contract = Contract()
    client = Client(create_app(Settings(), pipeline()), contract)
    clean, faulty = (client.review(_examples(contract)[name]).json for name in ("clean", "faulty"))
    assert not clean["summary"]["by_severity"].get("critical")
    assert not clean["summary"]["by_severity"].get("warning")
    assert faulty["summary"]["by_severity"]["critical"] > 0


def test_times_in_examples_are_strings() -> None:
    def walk(value: Any) -> None:
        if isinstance(value, dict):
            assert all(isinstance(key, str) for key in value)
            value = list(value.values())
        if isinstance(value, list):
            for each in value:
                walk(each)
        else:
            assert isinstance(value, str | int | float), value

    walk(_examples(Contract()))
