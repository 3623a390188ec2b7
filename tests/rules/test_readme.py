"""The profile and the rule that the page for their authors shows are taken, and do what it says."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from service.commands import rule_checks
from service.pipeline import Pipeline
from service.resources import rules_directory
from service.rulebook.rule_file import OPTIONAL, ORDER
from tests.support.written import between

PAGE = (Path(__file__).parents[2] / "rules" / "README.md").read_text("utf-8")
RULE = "RR-9000-director-review-request-not-charted.yaml"


def example(name: str) -> str:
    return "\n".join(line for line in between(PAGE, name).splitlines() if not line.startswith("```"))


@pytest.fixture(scope="module")
def agency(tmp_path_factory: pytest.TempPathFactory) -> Pipeline:
    folder = tmp_path_factory.mktemp("agency")
    for name, path in (
        ("sources", "sources.yaml"),
        ("profile", "profiles/our-county.yaml"),
        ("rule", f"record/{RULE}"),
    ):
        (folder / path).parent.mkdir(exist_ok=True)
        (folder / path).write_text(example(name))
    return Pipeline.build(rules_directory(), folder)


def test_the_rule_passes_its_own_tests(agency: Pipeline) -> None:
    assert f"our-agency/record/{RULE}" in PAGE
    assert rule_checks.run(agency, ["RR-9000"]) == []


def test_the_profile_changes_what_it_says(agency: Pipeline) -> None:
    profile = agency.rulebook.profiles["our-county"]
    assert profile.parameters == {"RR-1307": {"max_gap": 10}}
    assert profile.severities == {"RR-1045": "warning"}
    body = json.dumps(rule_checks.exemplary()).encode()
    off = agency.review(body, "application/json", "our-county").document["off"]
    assert [entry["rule"] for entry in off] == ["RR-1128"]


def test_every_part_of_a_rule_is_explained_in_its_order() -> None:
    section = PAGE.partition("## How a rule file is read")[2].partition("\n## ")[0]
    first_cells = [row.split("|")[1] for row in section.splitlines() if row.startswith("| `")]
    assert tuple(re.findall(r"`([a-z_]+)`", "".join(first_cells))) == ORDER
    may_be_left_out = {name for cell in first_cells if "*" in cell for name in re.findall(r"`([a-z_]+)`", cell)}
    assert may_be_left_out == OPTIONAL - {"tell_now"}
