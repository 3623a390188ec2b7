"""An episode written as a FHIR Bundle: nothing is lost on the way there and back, and the Bundle is FHIR."""

from __future__ import annotations

import copy
import json
import uuid
from typing import Any

import pytest
from fhir.resources.R4B.bundle import Bundle

from service.episode import declaration, record
from service.episode.absence import DECLINED_REASONS
from service.formats.fhir import profile
from service.formats.fhir import read as fhir_reader
from service.formats.fhir import write as fhir_writer
from service.intake import episode_json
from service.problems import Rejected
from service.review.build import Wanted
from tests.support.episodes import Document, full, small
from tests.support.mutate import mutated
from tests.support.pipeline import demo, demo_names, pipeline
from tests.support.reviews import instances


def there_and_back(document: Document) -> tuple[record.Episode, record.Episode, Any]:
    """The episode, the same after it was a Bundle, and the Bundle."""
    episode = episode_json.from_value(document).episode
    body = fhir_writer.encoded(episode)
    intake = fhir_reader.read(body)
    assert intake.notices == ()
    return episode, intake.episode, json.loads(body)


def valid(document: Any) -> None:
    """By the models of fhir.resources for R4B, whose elements are those of R4 for every type used here."""
    Bundle.model_validate(document)


@pytest.mark.parametrize("name", demo_names())
def test_every_demo_episode_comes_back_as_it_was(name: str) -> None:
    before, after, document = there_and_back(demo(name))
    assert after == before
    valid(document)


@pytest.mark.parametrize("how", ["refused", "released_to_law_enforcement", "released_to_guardian", "died", "other"])
def test_the_end_of_care_stands_where_other_systems_look_for_it(how: str) -> None:
    document = small() | {"transport": {"ended": {"how": how, "time": "2031-04-12T18:40:00-06:00"}}}
    before, after, written = there_and_back(document)
    assert after == before
    valid(written)
    encounter = next(e["resource"] for e in written["entry"] if e["resource"]["resourceType"] == "Encounter")
    (told,) = encounter["hospitalization"]["dischargeDisposition"]["coding"]
    standard = {"refused": "aadvice", "died": "exp"}
    assert told["code"] == standard.get(how, how)
    assert ("terminology.hl7.org" in told["system"]) is (how in standard)


@pytest.mark.parametrize("name", demo_names())
def test_every_demo_episode_gives_the_same_findings(name: str) -> None:
    """All of them: the profile leaves nothing out that a rule asks for, so the list of exceptions is empty.

    Findings of one rule stand in the order of their places in the document that was sent, so that may differ.
    """
    sent = demo(name)
    body = fhir_writer.encoded(episode_json.from_value(sent).episode)
    ours = pipeline().review(json.dumps(sent).encode(), "application/json", "default", Wanted(accounts=True)).document
    theirs = pipeline().review(body, "application/fhir+json", "default", Wanted(accounts=True)).document

    def told(review: Any) -> Any:
        plain = [{k: v for k, v in f.items() if k != "pointers"} for f in instances(review)]
        return sorted(plain, key=lambda f: str(f["fingerprint"]))

    assert told(theirs) == told(ours)
    assert theirs["accounts"] == ours["accounts"]
    assert theirs["summary"] == ours["summary"]


def _words(document: Any, cls: type, turn: int) -> None:
    """The turn-th word of every closed set, and every word of a list for one turn."""
    for member in declaration.members(cls):
        if isinstance(member.kind, declaration.Code):
            document[member.name] = member.kind.words[turn % len(member.kind.words)]
        elif isinstance(member.kind, declaration.Codes):
            document[member.name] = list(member.kind.words[turn:]) if turn < len(member.kind.words) else []
        elif isinstance(member.kind, declaration.Items):
            for item in document[member.name]:
                _words(item, member.kind.of, turn)
        elif isinstance(member.kind, declaration.Part):
            _words(document[member.name], member.kind.of, turn)


@pytest.mark.parametrize("turn", range(29))
def test_every_word_of_every_member_comes_back(turn: int) -> None:
    document = full()
    _words(document, record.Episode, turn)
    document["monitoring"]["vitals"][0] |= {"agitation_scale": ("rass", "sat", "amss")[turn % 3], "agitation_score": -3}
    before, after, _ = there_and_back(document)
    assert after == before


def test_no_closed_set_has_more_words_than_that() -> None:
    def longest(cls: type) -> int:
        return max(
            len(m.kind.words) if isinstance(m.kind, declaration.Code | declaration.Codes) else longest(m.kind.of) if isinstance(m.kind, declaration.Items | declaration.Part) else 0
            for m in declaration.members(cls)
        )  # fmt: skip

    assert longest(record.Episode) <= 29


def _absent(document: Any, cls: type, value: Any) -> None:
    for member in declaration.members(cls):
        if member.required:
            continue
        if isinstance(member.kind, declaration.Items | declaration.Part) and cls is record.Episode:
            for item in [document[member.name]] if isinstance(member.kind, declaration.Part) else document[member.name]:
                _absent(item, member.kind.of, value)
        else:
            document[member.name] = value


@pytest.mark.parametrize(
    "value", [{"absent": "not_collected"}, *({"absent": "declined", "reason": r} for r in DECLINED_REASONS)]
)
def test_why_a_value_is_absent_comes_back(value: Any) -> None:
    document = full()
    _absent(document, record.Episode, value)
    before, after, written = there_and_back(document)
    assert after == before
    valid(written)


def _refused(document: Document) -> bool:
    """Whether the changes made a score that its scale does not have."""
    try:
        episode_json.from_value(document)
    except Rejected:
        return True
    return False


@pytest.mark.parametrize("seed", range(60))
def test_changed_records_come_back(seed: int) -> None:
    """Seeded changes: members dropped, absent, items doubled, out of order, without ids."""
    name = demo_names()[seed % len(demo_names())]
    changed = mutated(demo(name), seed, 12)
    while _refused(changed):
        seed += 1000
        changed = mutated(demo(name), seed, 12)
    before, after, document = there_and_back(changed)
    assert after == before
    if seed % 6 == 0:
        valid(document)


@pytest.mark.parametrize(
    "section",
    [
        {"sedation": {"none": True}},
        {"custody": []},
        {"injuries": {"none": True}},
        {"postures": []},
        {"reassessments": {"none": True}},
        {"team": {}},
        {"application": {"limbs": [], "holds": []}},
        {"patient": {}},
        {"patient": {"allergies": [], "conditions": []}},
        {"narrative": ""},
        {"sedation": {"absent": "not_collected"}},
        {"narrative": {"absent": "declined", "reason": "other"}},
        {"monitoring": {"vitals": [{}, {}]}},
        {"sedation": {"doses": [{"drug": "other"}, {"drug": "ketamine", "dose": 1}], "not_given": [{}]}},
        {"decision": {"alternatives": [{"measure": "other", "id": "under_score"}, {"measure": "other", "id": "same"}]}},
    ],
    ids=str,
)
def test_empty_and_odd_sections_come_back(section: Document) -> None:
    before, after, document = there_and_back(small(contact=None, **copy.deepcopy(section)))
    assert after == before
    valid(document)


@pytest.mark.parametrize("number", [5, 5.0, 2.5])
def test_a_reader_that_knows_no_extensions_finds_whole_numbers_too(number: float) -> None:
    """As they were charted: the round trip alone would not show that one stands in our own extension only."""
    body = small(contact=None)
    body["patient"] = {"weight_kg": number}
    body["sedation"] = {"doses": [{"drug": "midazolam", "dose": number, "unit": "mg", "route": "im"}]}
    body["monitoring"] = {
        "vitals": [{"temperature_c": number, "glucose_mg_dl": number}],
        "limb_checks": [{"side": "left", "site": "wrist", "cap_refill_s": number}],
    }
    before, after, document = there_and_back(body)
    assert after == before
    valid(document)
    resources = [entry["resource"] for entry in document["entry"]]
    (dose,) = [each["dosage"] for each in resources if each["resourceType"] == "MedicationAdministration"]
    assert dose["dose"]["unit"] == "mg" and dose["route"]["coding"]
    components = [each for one in resources for each in (one, *one.get("component", ()))]
    values = [each["valueQuantity"]["value"] for each in components if "valueQuantity" in each]
    assert len(values) >= 4
    assert {(type(value), value) for value in [*values, dose["dose"]["value"]]} == {(type(number), number)}


def test_a_reference_that_is_no_fhir_id_and_people_nobody_listed() -> None:
    document = small(episode_ref="a_b", application={"holds": [{"part": "head", "by": "nobody"}]})
    document["episode_ref"] = "a_b"
    before, after, written = there_and_back(document)
    assert after == before
    valid(written)


def test_what_the_sender_has_no_place_for_stays_so() -> None:
    document = small(
        limbs=[{"side": "left", "site": "wrist"}], not_collected=["/application/limbs/*/anchor", "/stretcher"]
    )
    before, after, _ = there_and_back(document)
    assert after == before
    assert after.application.limbs[0].anchor.state == after.stretcher.state == "not_collected"  # type: ignore[union-attr]


def test_the_same_episode_gives_the_same_bytes_and_names_are_uuids() -> None:
    episode = episode_json.from_value(demo("exemplary")).episode
    assert fhir_writer.encoded(episode) == fhir_writer.encoded(episode)
    entries = fhir_writer.bundle(episode)["entry"]
    assert len({entry["fullUrl"] for entry in entries}) == len(entries)
    assert entries[3]["fullUrl"] == f"urn:uuid:{uuid.uuid5(uuid.NAMESPACE_URL, f'{profile.BASE}/demo-exemplary/3')}"


def test_every_reference_leads_somewhere_and_ids_are_alone() -> None:
    document = fhir_writer.bundle(episode_json.from_value(demo("everything-wrong")).episode)
    text = json.dumps(document)
    names = {entry["fullUrl"] for entry in document["entry"]}
    references = {part.split('"')[0] for part in text.split('"reference": "')[1:]}
    assert references - names == {"#device"}
    ids = [(e["resource"]["resourceType"], e["resource"]["id"]) for e in document["entry"] if "id" in e["resource"]]
    assert len(ids) == len(set(ids))
