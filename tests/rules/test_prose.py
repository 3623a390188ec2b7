"""What people read: grade, spelling, no two rules with one title, and no text that tempts.

Grade: Flesch-Kincaid (Kincaid and others, 1975) as ``textstat`` counts it. That
release needs no download. Spelling: en-US, by a short list of British forms.
"""

from __future__ import annotations

import re
import statistics
from collections import Counter, defaultdict
from collections.abc import Iterator
from pathlib import Path

import pytest
import textstat

from service.intake import strict_yaml
from service.resources import rules_directory
from service.rulebook.rule import Rule
from tests.corpora.report import report
from tests.support.pipeline import pipeline

ROOT = Path(__file__).parents[2]
RULES = pipeline().rulebook.rules
TERMS = strict_yaml.load(rules_directory() / "vocabulary.yaml")["trade_terms"]
MEDIAN, MOST = 8, 10
_BRITISH = re.compile(
    r"\b(behaviour\w*|colour\w*|favour\w*|neighbour\w*|labour\w*|judgement\w*|apnoea\w*|anaesth\w*|paediatr\w*"
    r"|haemo\w*|oedema\w*|\w*glycaemi\w*|centre[sd]?|metres?|litres?|\w+isation\w*|recognis\w*|organis\w*|realis\w*|minimis\w*|stabilis\w*|immobilis\w*"
    r"|analyse[sd]?|licence\w*|defence\w*|programmes?|whilst|towards|grey|travell\w*|cancell\w*|fulfil|practise[sd]?)\b",
    re.IGNORECASE,
)


def spoken(rule: Rule, *fields: str) -> str:
    """The named texts of a rule, a placeholder read as one short word."""
    return re.sub(r"\{\w+\}", "one", " ".join(str(rule.raw[field]) for field in fields))


def grade(text: str) -> float:
    """Flesch-Kincaid grade, every term of the trade counted as one short word."""
    for term in sorted(TERMS, key=len, reverse=True):
        text = re.sub(rf"\b{re.escape(term)}s?\b", "word", text, flags=re.IGNORECASE)
    return float(textstat.flesch_kincaid_grade(text))


def grades() -> dict[str, float]:
    """Grade of message and remediation together, by rule."""
    return {rule.id: grade(spoken(rule, "message", "remediation")) for rule in RULES}


def test_the_scale_can_fail() -> None:
    """A sentence of a contract is far above the limit, a child's sentence far below."""
    hard = "Notwithstanding any provision to the contrary, documentation deficiencies necessitate retrospective administrative clarification."
    assert grade(hard) > MOST + 5
    assert grade("The cat sat on the mat. It was warm.") < 3


def test_a_tired_medic_can_read_it() -> None:
    found = grades()
    assert statistics.median(found.values()) <= MEDIAN
    assert max(found.values()) <= MOST, [rule for rule, value in found.items() if value > MOST]


@pytest.mark.parametrize("rule", [r for r in RULES if "tell_now" in r.raw], ids=lambda rule: rule.id)
def test_what_is_told_first_is_the_fact_and_then_what_to_check_or_tell(rule: Rule) -> None:
    fact, act = str(rule.raw["tell_now"]).split(". ")
    assert len(fact.split()) <= 20
    assert re.match(r"(Check|Tell) ", act)
    assert "; tell the next clinician" in act or act.startswith("Tell the ")
    # Whether the patient is still with the crew is said once for the whole review.
    assert not re.search(r"still|with you|if not", act)
    assert grade(act) <= 16  # one sentence with two halves: count its length, not its words


def _prose() -> Iterator[tuple[str, str]]:
    for rule in RULES:
        raw = rule.raw
        texts = [
            raw["title"],
            raw["message"],
            raw["remediation"],
            raw["why"],
            raw.get("tell_now", ""),
            *raw.get("known_limits", []),
        ]
        yield rule.id, " ".join(str(text) for text in texts)
    for name, profile in pipeline().rulebook.profiles.items():
        yield name, " ".join([str(profile.raw["title"]), *map(str, profile.raw.get("notes", []))])
    for name, fact in pipeline().rulebook.facts.items():
        yield name, str(fact["says"])
    for path in sorted(
        path for home in ("*.md", "docker/*.md", "rules/*.md", "service/*.md") for path in ROOT.glob(home)
    ):
        # Codes and member names are the project's own and keep their spelling.
        yield path.name, re.sub(r"```.*?```|`[^`]*`", "", path.read_text(encoding="utf-8"), flags=re.DOTALL)
    for line in (ROOT / "openapi.yaml").read_text(encoding="utf-8").splitlines():
        if "description:" in line or "summary:" in line:
            yield "openapi.yaml", line


def test_spelling_is_american() -> None:
    found = [
        (name, match.group())
        for name, text in _prose()
        for match in _BRITISH.finditer(text)
        if "_" not in match.group()
    ]
    assert found == []


def test_the_spelling_test_can_fail() -> None:
    for word in ("behaviour", "apnoea", "colour", "judgement", "organised", "Centre", "immobilisation"):
        assert _BRITISH.search(f"the {word} of"), word
    for word in ("behavior", "behavioral", "behaviors", "apnea", "color", "judgment", "organized", "center"):
        assert not _BRITISH.search(f"the {word} of"), word


def test_no_two_rules_have_one_title() -> None:
    assert [title for title, count in Counter(rule.title for rule in RULES).items() if count > 1] == []


def test_rules_with_one_message_never_meet() -> None:
    """Steps of one quantity may share their words, but no record shows two of them about one place."""
    groups = defaultdict(list)
    for rule in RULES:
        groups[rule.raw["message"]].append(rule.id)
    shared = [set(group) for group in groups.values() if len(group) > 1]
    met = [pair for pair in report().same if any(set(pair) <= group for group in shared)]
    assert met == []


def test_a_completeness_finding_asks_for_what_happened() -> None:
    """If it was done, a late entry; if not, that it was not: both halves, or the text says that no act is needed."""
    for rule in RULES:
        if rule.category == "completeness":
            text = str(rule.raw["remediation"])
            both = re.search(r"late entry|late entries|\badd\b|\bmark\b", text, re.IGNORECASE) and re.search(
                r"\bchart\b|nothing is asked", text
            )
            assert both or re.search(r"[Nn]o act is needed", text) or rule.id in ONE_HALF, rule.id


#: Completeness findings whose other half cannot be: a narrative, a section that can only be filled.
ONE_HALF = {"RR-1163", "RR-1164"}


def test_a_safety_finding_lets_the_entry_stand() -> None:
    stays = re.compile(r"stays? as (charted|written)|[Nn]othing is asked|[Nn]o act is needed")
    for rule in RULES:
        if rule.category == "safety":
            assert stays.search(str(rule.raw["remediation"])), rule.id
        if rule.category == "safety" and re.search(r"add (that|the looks)", str(rule.raw["remediation"])):
            assert "chart that" in str(rule.raw["remediation"]), (
                f"{rule.id} asks for a response and not for its absence"
            )


def test_a_finding_of_judgment_proposes_no_value_and_no_wording() -> None:
    """Scores, capacity, weight and wording: the text names no score, no weight and no better word."""
    for rule in RULES:
        leaves = rule.applies_when.leaves() + rule.fails_when.leaves()
        about = {
            leaf.attribute
            for leaf in leaves
            if "score" in leaf.attribute or "capacity" in leaf.attribute or leaf.attribute in ("family", "mg_per_kg")
        }
        if about and rule.handled_by == "reviewer":
            assert not re.search(
                r"instead of|rather write|should (read|say)|change (it|the) ", str(rule.raw["remediation"])
            ), rule.id


#: Words that blame, or that read as a machine.
_NO_WORDS = re.compile(
    r"\bhold the entr(y|ies) against|\basked for is\b|, tell it,|\btells? not to give|\blooks? at (the need|continuing)",
    re.IGNORECASE,
)
_GENDERED = re.compile(r"\b(he|him|his|himself)\b", re.IGNORECASE)


def test_no_text_blames_its_reader_or_speaks_as_a_machine() -> None:
    for rule in RULES:
        for field in ("title", "message", "remediation", "tell_now", "why"):
            assert not _NO_WORDS.search(str(rule.raw.get(field, ""))), (rule.id, field)


def test_no_text_takes_the_patient_for_a_man() -> None:
    for rule in RULES:
        for field in ("title", "message", "remediation", "tell_now", "why"):
            assert not _GENDERED.search(str(rule.raw.get(field, ""))), (rule.id, field)


@pytest.mark.parametrize(
    ("rule", "value"),
    [
        ("RR-1262", "{mg} mg"), ("RR-1264", "{total} mg"), ("RR-1272", "{mg} mg"), ("RR-1383", "{unanswered_worst} mmHg"),
        ("RR-1388", "{unanswered_worst mg/dL}"), ("RR-1397", "{news2}"),
    ],
)  # fmt: skip
def test_a_danger_that_is_a_number_shows_it(rule: str, value: str) -> None:
    """Far over or under a limit: by how much decides what the next clinician does."""
    (found,) = [each for each in RULES if each.id == rule]
    assert value in str(found.raw["message"])


def test_what_needs_no_act_is_asked_of_no_author() -> None:
    """A question that asks for nothing teaches its reader to pass over the next one."""
    asked = [rule for rule in RULES if rule.handled_by == "author"]
    assert [r.id for r in asked if re.search(r"[Nn]o act is needed", str(r.raw["remediation"]))] == []
