"""openapi.yaml is the contract: valid, complete, and equal to what the code declares."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import openapi_spec_validator
import pytest
import yaml
from jsonschema import Draft202012Validator  # type: ignore[import-untyped,unused-ignore]

from service.api.contract import with_generated, with_part
from service.app import create_app
from service.episode.schema import episode_schema
from service.facts.fact import STATE_ORDER
from service.formats.fhir import chart as fhir
from service.formats.nemsis import chart as nemsis
from service.intake import episode_json, strict_json
from service.problems import PROBLEMS
from service.resources import demo_directory, openapi_path
from service.review import notices
from service.review.build import OUTCOMES
from service.review.causes import CONTRADICTED
from service.settings import Settings
from tests.contract import examples
from tests.contract.checked import Client, Contract, NotInContract
from tests.support.pipeline import demo, pipeline


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


def known_words(name: str) -> list[str]:
    """The words that the description of an open vocabulary lists as known."""
    schema = Contract().document["components"]["schemas"][name]
    assert "enum" not in schema
    return re.findall(r"`([^`]+)`", schema["description"].partition("Known")[2])


def test_the_words_of_open_vocabularies_are_those_of_the_rulebook() -> None:
    words = pipeline().rulebook.vocabulary
    assert known_words("Concern") == list(words.concerns)
    assert known_words("Phase") == list(words.phases)
    assert known_words("Category") == list(words.categories)
    assert set(known_words("HandledBy")) == set(words.handlers)
    assert set(known_words("State")) == {*STATE_ORDER, CONTRADICTED}
    assert set(known_words("Due")) == set(words.dues)
    assert set(known_words("Confidence")) == set(words.confidence)


def test_severity_and_outcome_are_closed() -> None:
    schemas = Contract().document["components"]["schemas"]
    assert schemas["Severity"]["enum"] == list(pipeline().rulebook.vocabulary.severities)
    assert schemas["Outcome"]["enum"] == list(OUTCOMES)
    closed = {name for name, schema in schemas.items() if "enum" in schema}
    assert closed == {"Severity", "Outcome"}


def test_the_codes_of_notices_are_those_of_the_readers_and_the_review() -> None:
    of_review = re.findall(r"notice\(\s*\"([a-z-]+)\"", Path(notices.__file__).read_text("utf-8"))
    of_json = re.findall(r"Notice\(\s*\"([a-z-]+)\"", Path(episode_json.__file__).read_text("utf-8"))
    assert len(of_review) > 9 and of_json
    known = known_words("NoticeCode")
    assert set(known) == {*of_review, *of_json, *fhir.DETAILS, *nemsis.DETAILS}
    assert len(known) == len(set(known))


def test_problem_codes_are_those_of_the_table() -> None:
    assert known_words("ProblemCode") == list(PROBLEMS)


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


#: Answers without an example here: (address, media type). The first are long, and a page or a command away: the review
#: as SVRL (40 kB), as a page (60 kB) and its picture, and measures. The rest need nothing to be sent: the address itself is the example.
_TOO_LONG = {
    ("/v1/reviews", "application/xml"),
    ("/v1/reviews", "text/html"),
    ("/v1/reviews", "image/svg+xml"),
    ("/v1/measures", "application/json"),
    ("/v1/measures", "text/html"),
    ("/v1/measures", "text/csv"),
    ("/", "text/html"),
    ("/try", "text/html"),
    ("/v1/rules", "application/json"),
    ("/v1/rules", "text/html"),
    ("/v1/rules/{rule}", "text/html"),
    ("/v1/profiles", "application/json"),
    ("/v1/facts", "application/json"),
    ("/v1/facts", "text/html"),
    ("/v1/formats", "application/json"),
    ("/v1/formats", "text/html"),
    ("/openapi.yaml", "application/yaml"),
    ("/openapi-json.yaml", "application/yaml"),
    ("/episode.schema.json", "application/json"),
    ("/problems/{code}", "text/html"),
    ("/metrics", "text/plain"),
}


@pytest.mark.parametrize("wrong", [{"unheard_of": 1}, {"episode_ref": 5}, {"handover": {"time": "noon"}}])
def test_what_the_contract_does_not_say_is_refused(wrong: dict[str, Any]) -> None:
    contract, place = Contract(), ("components", "schemas", "Episode")
    contract.validate(demo("exemplary"), *place)
    with pytest.raises(NotInContract):
        contract.validate(demo("exemplary") | wrong, *place)


def test_every_answer_has_an_example() -> None:
    contract = Contract().document
    without = {
        (path, media_type)
        for path, operations in contract["paths"].items()
        for operation in operations.values()
        for response in operation["responses"].values()
        for media_type, content in response.get("content", {}).items()
        if not content.get("examples")
    }
    assert without == _TOO_LONG
    responses = contract["components"]["responses"]
    assert [
        name for name, each in responses.items() if not all(c.get("examples") for c in each["content"].values())
    ] == []


def test_the_examples_of_answers_are_real_answers() -> None:
    text = openapi_path().read_text("utf-8")
    made = examples.answers(pipeline())
    assert with_part(text, "answers", made) == text, "python -m tests.contract.examples --write"
    used = set(re.findall(r"#/components/examples/(\w+)", text))
    assert set(made) == used


# ---------------------------------------------------------------- what is made from it


@pytest.fixture(scope="module")
def client() -> Client:
    return Client(create_app(Settings(), pipeline()), Contract())


def test_the_schema_of_an_episode_stands_alone(client: Client) -> None:
    schema = client.get("/episode.schema.json").json
    Draft202012Validator.check_schema(schema)
    validator = Draft202012Validator(schema, format_checker=Draft202012Validator.FORMAT_CHECKER)
    demos = [path for path in demo_directory().glob("*.json") if path.name != "index.json"]
    assert len(demos) == 8
    for path in demos:
        assert list(validator.iter_errors(json.loads(path.read_bytes()))) == [], path.name
    assert list(validator.iter_errors({"episode_ref": "a", "handover": {"time": "noon"}}))
    assert set(schema["$defs"]) == set(episode_schema())


def test_the_part_for_json_is_short_and_valid(client: Client) -> None:
    answer = client.get("/openapi-json.yaml")
    assert answer.body.count(b"\n") < 800
    part = yaml.safe_load(answer.body)
    body = part["paths"]["/v1/reviews"]["post"]["requestBody"]["content"]
    assert body["application/json"]["schema"] == {"$ref": "episode.schema.json#/$defs/Episode"}
    media_types = {media for node in _contents(part) for media in node}
    assert media_types == {"application/json", "application/problem+json"}
    # Checked by openapi-spec-validator against the published OpenAPI 3.1 schema; the record stands beside it.
    body["application/json"]["schema"] = {"type": "object"}
    openapi_spec_validator.validate(part)


def _contents(node: Any) -> list[dict[str, Any]]:
    if isinstance(node, dict):
        own = [node["content"]] if isinstance(node.get("content"), dict) else []
        node = list(node.values())
    elif isinstance(node, list):
        own = []
    else:
        return []
    return [*own, *(each for child in node for each in _contents(child))]


def test_the_part_for_json_says_what_the_whole_says(client: Client) -> None:
    part = yaml.safe_load(client.get("/openapi-json.yaml").body)["components"]["schemas"]
    whole = Contract().document["components"]["schemas"]
    assert {name for name in part if part[name] != whole[name]} == {"Place"}
    assert part["Place"]["required"] == ["pointer", "label"]


def test_marks_of_absence_come_first() -> None:
    """A client that takes the first that fits would read ``{"none": true}`` as a section without members."""
    walked = 0

    def walk(node: Any) -> None:
        nonlocal walked
        if isinstance(node, dict):
            names = [each.get("$ref", "").rpartition("/")[2] for each in node.get("anyOf", ())]
            if "Absence" in names:
                walked += 1
                assert names[0] == "Absence"
                assert "NoneOfIt" not in names[2:]
            node = list(node.values())
        for each in node if isinstance(node, list) else ():
            walk(each)

    walk({name: Contract().document["components"]["schemas"][name] for name in episode_schema()})
    assert walked > 300


def test_the_contract_names_every_form_of_what_is_missing() -> None:
    missing = Contract().document["components"]["schemas"]["Place"]["properties"]["missing"]["description"]
    assert "`/-`" in missing and "`/monitoring/vitals/-/etco2_mmhg`" in missing
