"""Agreement by rule: what is read, what is counted, and in which order it stands."""

from __future__ import annotations

import json

import pytest

from service.batch import definitions, measures, tables, verdicts
from service.batch.tally import Tally
from service.pipeline import Pipeline
from tests.support.batch import measured_lines
from tests.support.episodes import encoded
from tests.support.pipeline import demo
from tests.support.reviews import instances, review

NAME = "night-two-crew-late-sedation"


def table(*rows: tuple[str, str, str], separator: str = ",") -> bytes:
    return "\r\n".join(separator.join(row) for row in (verdicts.COLUMNS, *rows)).encode()


def test_what_is_read() -> None:
    assert verdicts.read(table(("a", "f", "yes"), ("a", "g", "NO"), ("b", "f", ""))).given == {
        ("a", "f"): True,
        ("a", "g"): False,
    }
    assert verdicts.read(tables.MARK + table(("'-a", "f", "1"), separator=";")).given == {("-a", "f"): True}
    assert verdicts.read(table(("a", "f", "true"), ("a", "f", "yes"))).given == {("a", "f"): True}


@pytest.mark.parametrize(
    ("content", "line", "why"),
    [
        (b"episode_ref,agreed\na,yes\n", 1, "no column fingerprint"),
        (b"", 1, "no column episode_ref, fingerprint, agreed"),
        (table(("a", "f", "canary")), 2, "yes or no"),
        (table(("a", "f", "yes"), ("a", "f", "no")), 3, "they differ"),
        (b"\xff\xfe", 1, "UTF-8"),
    ],
)
def test_what_cannot_be_read_is_named_by_its_line_and_not_repeated(content: bytes, line: int, why: str) -> None:
    with pytest.raises(verdicts.Unreadable) as raised:
        verdicts.read(content)
    assert raised.value.line == line
    assert why in str(raised.value)
    assert "canary" not in str(raised.value)


def test_agreement_by_rule(pipeline: Pipeline) -> None:
    document = demo(NAME)
    found = instances(review(pipeline, document))
    accepted = next(one for one in found if one["acceptable"])
    document["accepted"] = [{"fingerprint": accepted["fingerprint"], "reason": "canary"}]
    refs = [f"c-{n}" for n in range(6)]
    of_rules = {one["rule"]["id"]: one for one in found if one["rule"]["id"] != accepted["rule"]["id"]}
    first, second = list(of_rules.values())[:2]
    given = {(ref, first["fingerprint"]): True for ref in refs} | {
        (ref, second["fingerprint"]): ref == "c-0" for ref in refs
    }
    given["nobody", first["fingerprint"]] = True
    wanted = definitions.measures_of(pipeline.rulebook)
    whole, parts = Tally(wanted, verdicts.Verdicts(given)), [Tally(wanted, verdicts.Verdicts(given)) for _ in range(2)]
    for number, ref in enumerate(refs):
        body = encoded(document | {"episode_ref": ref})
        for tally in (whole, parts[number % 2]):
            measures.count(pipeline, tally, wanted, body, number, "default", "month")
    said = measures.document(whole, wanted, {}, measures.Look())["verdicts"]
    assert (said["given"], said["without_finding"]) == (13, 1)
    by_rule = {rule["rule"]: rule for rule in said["rules"]}
    assert by_rule[first["rule"]["id"]]["agreement"] == 1.0
    assert (by_rule[second["rule"]["id"]]["agreed"], by_rule[second["rule"]["id"]]["not_agreed"]) == (1, 5)
    assert by_rule[accepted["rule"]["id"]]["accepted"] == 6
    assert by_rule[accepted["rule"]["id"]]["agreement"] is None
    order = [rule["rule"] for rule in said["rules"]]
    assert order.index(second["rule"]["id"]) < order.index(first["rule"]["id"]) < order.index(accepted["rule"]["id"])
    parts[1].merge(parts[0])
    assert measures.document(parts[1], wanted, {}, measures.Look())["verdicts"] == said
    assert "canary" not in json.dumps(said)


def test_without_verdicts_nothing_is_said_of_them(pipeline: Pipeline) -> None:
    assert "verdicts" not in measured_lines(pipeline, [encoded(demo(NAME))])
