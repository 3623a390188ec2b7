"""What sample charts tell of their system: the list that is suggested is accepted, and hides nothing critical."""

from __future__ import annotations

import copy
import functools
import itertools
import json
from pathlib import Path
from typing import Any

import pytest

from service import cli
from service.batch import onboarding
from service.formats.fhir import write as fhir_writer
from service.intake import episode_json
from service.intake.not_collected import PATHS
from service.problems import Rejected
from service.representations import formats_document
from service.resources import examples_directory
from tests.corpora.defects import several
from tests.corpora.model import clean, without
from tests.support.episodes import Document, encoded, small
from tests.support.pipeline import demo, pipeline

#: What the system of these tests has no place for; critical rules read all but the first three.
NO_PLACE = (
    "/stretcher/height", "/application/limbs/*/movement", "/monitoring/vitals/*/bp_method",
    "/application/limbs/*/anchor", "/monitoring/vitals/*/qtc_ms", "/monitoring/actions", "/monitoring/vitals/*/spo2",
    "/postures",
)  # fmt: skip


@functools.cache
def charts() -> tuple[Document, ...]:
    """Charts of that system, which says nothing of it."""
    found = [case.document for case in clean(15)] + [case.faulty for case in several(25)]
    thinned = [without(copy.deepcopy(document), NO_PLACE) for document in found]
    for document in thinned:
        del document["not_collected"]
    return tuple(thinned)


@functools.cache
def report() -> dict[str, Any]:
    """The report over these charts."""
    samples = onboarding.Samples("default")
    body = b"\n".join(encoded(document) for document in charts())
    for chart in onboarding.charts(pipeline(), "charts.ndjson", body):
        samples.add(pipeline(), chart)
    return onboarding.document(pipeline(), samples)


def test_what_was_never_sent_is_listed_or_to_be_confirmed() -> None:
    found = report()
    assert found["charts"] == {"read": len(charts()), "formats": {"json": len(charts())}, "refused": []}
    confirm = {each["path"] for each in found["confirm"]}
    assert set(NO_PLACE) <= set(found["never_sent"])
    assert set(NO_PLACE[:3]) <= set(found["not_collected"])
    assert set(NO_PLACE[3:]) <= confirm
    assert not confirm & set(found["not_collected"])
    (oxygen,) = (each for each in found["confirm"] if each["path"] == "/monitoring/vitals/*/spo2")
    assert "low-spo2-no-response" in {rule["name"] for rule in oxygen["rules"]}


def test_a_member_that_any_chart_sends_is_not_in_the_list() -> None:
    sent = demo("exemplary")
    samples = onboarding.Samples("default")
    for document in (*charts(), sent):
        samples.add(pipeline(), onboarding.Chart("a", 1, "application/json", encoded(document)))
    never = onboarding.document(pipeline(), samples)["never_sent"]
    assert not set(NO_PLACE) & set(never) - {"/monitoring/vitals/*/qtc_ms"}


def test_the_list_is_accepted_and_hides_nothing_critical() -> None:
    found = report()
    assert found["effect"]["critical_lost"] == []
    assert found["effect"]["charts"] == len(charts())
    assert sum(found["effect"]["after"].values()) <= sum(found["effect"]["before"].values())
    for document in charts()[::5]:
        pipeline().read(encoded({**document, "not_collected": found["not_collected"]}), "application/json")


def _critical(document: Document) -> set[str]:
    findings = pipeline().review(encoded(document), "application/json", "default").document["findings"]
    return {f["rule"]["id"] for f in findings if f["severity"] == "critical"}


def _case(number: int) -> Document:
    return next(itertools.islice(several(number + 1), number, None)).faulty


@pytest.mark.parametrize("name", ["everything-wrong", "case 3"])
def test_a_path_that_hides_a_critical_finding_is_never_suggested(name: str) -> None:
    """By behavior: each member that may be suggested is taken out and listed, and every critical finding stays."""
    document = demo(name) if name.startswith("every") else _case(int(name.split()[1]))
    before, reads = _critical(document), onboarding.critical_reads(pipeline(), "default")
    assert before
    for path in (path for path in PATHS if path not in reads):
        try:
            assert not before - _critical(without(copy.deepcopy(document), (path,))), path
        except Rejected:  # an item without what says which thing it is
            continue


def test_a_path_that_critical_rules_read_may_hide_a_finding() -> None:
    """Else the test above proves nothing."""
    document = demo("everything-wrong")
    path = "/monitoring/vitals/*/spo2"
    assert path in onboarding.critical_reads(pipeline(), "default")
    assert "RR-1360" in _critical(document) - _critical(without(copy.deepcopy(document), (path,)))


def test_words_values_and_ids() -> None:
    documents = [copy.deepcopy(document) for document in charts()]
    for document in documents:
        for limb in document.get("application", {}).get("limbs", []):
            limb.pop("id", None)
            limb["fit"] = "one_finger"
    samples = onboarding.Samples("default")
    for document in documents:
        samples.add(pipeline(), onboarding.Chart("a", 1, "application/json", encoded(document)))
    found = onboarding.document(pipeline(), samples)
    (ids,) = (each for each in found["items_without_ids"] if each["path"] == "/application/limbs")
    assert ids["without"] == ids["items"] > 0
    (fit,) = (each for each in found["never_vary"] if each["path"].endswith("/fit"))
    assert fit == {"path": "/application/limbs/*/fit", "times": ids["items"], "value": "one_finger"}
    (words,) = (each for each in found["words_never_used"] if each["path"].endswith("/fit"))
    assert "one_finger" not in words["words"] and "too_tight" in words["words"]


def test_a_number_that_never_varies_is_not_repeated() -> None:
    samples = onboarding.Samples("default")
    for number in range(onboarding.ENOUGH):
        body = encoded(small(episode_ref=f"e{number}", patient={"weight_kg": 70.5}))
        samples.add(pipeline(), onboarding.Chart("a", 1, "application/json", body))
    found = onboarding.document(pipeline(), samples)["never_vary"]
    assert {"path": "/patient/weight_kg", "times": onboarding.ENOUGH} in found


def test_every_format_alone_in_lines_and_in_a_folder(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bundle = json.dumps(fhir_writer.bundle(episode_json.read(encoded(demo("exemplary"))).episode))
    (tmp_path / "one.json").write_text(json.dumps(demo("exemplary"), indent=1))
    (tmp_path / "lines.ndjson").write_text(f"{json.dumps(demo('exemplary'))}\n\n{bundle}\n" + '{"episode_ref": 7}\n')
    (tmp_path / "bundle.json").write_text(bundle)
    (tmp_path / "chart.xml").write_bytes((examples_directory() / "plain-nemsis.xml").read_bytes())
    out = tmp_path / "out" / "report"
    out.parent.mkdir()
    for as_format in ("json", "text", "html"):
        assert cli.main(["onboard", str(tmp_path), "--format", as_format, "--output", str(out)]) == 1
        text = out.read_text()
        assert "lines.ndjson" in text and "/episode_ref" in text
        if as_format == "json":
            charts = json.loads(text)["charts"]
            assert charts["formats"]["json"] == 2 and charts["formats"]["fhir"] == 2
            assert charts["formats"]["nemsis"] >= 1
            assert [(each["line"], each["code"]) for each in charts["refused"]] == [(4, "invalid-episode")]
    assert cli.main(["onboard", str(tmp_path / "one.json")]) == 0
    assert "WORDS NEVER USED" in capsys.readouterr().out
    (tmp_path / "no.json").write_text("{}")
    assert cli.main(["onboard", str(tmp_path / "no.json")]) == 2
    assert "no.json" in capsys.readouterr().err


def test_formats_lists_every_path_that_may_be_listed_and_no_other() -> None:
    from service.api.formats import examples

    listed = formats_document.document(examples(), {})["not_collected"]
    assert listed == list(PATHS)
    for path in listed:
        episode_json.read(encoded(small(not_collected=[path])))
    for path in onboarding.MEMBERS.keys() - set(listed):
        with pytest.raises(Rejected):
            episode_json.read(encoded(small(not_collected=[path])))
