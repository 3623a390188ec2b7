"""Places, spelling, modifiers and hostile text. Method: ConText (Harkema 2009), NegEx (Chapman 2001)."""

from __future__ import annotations

import random
import string

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.narrative.numbers import Dose, Vital
from service.narrative.reader import Hit
from service.narrative.tokens import folded
from tests.support.cost import cpu_at_most
from tests.support.episodes import narrative_reader


def hits(text: str, family: str | None = None) -> list[Hit]:
    return [hit for hit in narrative_reader().read(text) if family in (None, hit.family)]


def told(text: str, family: str) -> list[tuple[str, str]]:
    """(text of the place, assertion) of a family."""
    return [(text[hit.chars[0] : hit.chars[1]], hit.assertion) for hit in hits(text, family)]


@pytest.mark.parametrize("before", ["", "é ", "\U0001f600 ", "İİİ ", "ẞ ŉ ǰ ΐ ", "ﬁ ﬀ ", "Ἀ̓ ", "\u200b\u00a0\t"])
def test_places_are_code_points_of_the_text(before: str) -> None:
    """Letters whose small form is longer (İ, Unicode SpecialCasing) shift nothing."""
    text = f"{before}Pt was PRONE, then ketamine 300mg im."
    assert told(text, "position") == [("PRONE", "affirmed")]
    assert told(text, "drug") == [("ketamine 300mg im", "affirmed")]


@given(st.text(max_size=200))
@settings(max_examples=300, deadline=None)
def test_folding_moves_no_character(text: str) -> None:
    assert len(folded(text)) == len(text)


@given(st.text(alphabet=st.sampled_from(list('prone not face down "\n.,;:()-/&@#İß’ 0123:')), max_size=300))
@settings(max_examples=300, deadline=None)
def test_every_place_lies_in_the_text(text: str) -> None:
    for hit in hits(text):
        assert 0 <= hit.chars[0] < hit.chars[1] <= len(text)
        for start, end in hit.corrected:
            assert hit.chars[0] <= start < end <= hit.chars[1]


def test_no_text_of_the_narrative_in_a_hit() -> None:
    assert "anary7391" not in repr(hits("Canary7391 was prone, Canary7391 by 5pm got ketamine Canary7391."))


@pytest.mark.parametrize("apostrophe", ["'", "’", "‘", "`", "´"])
def test_every_apostrophe(apostrophe: str) -> None:
    assert told(f"He can{apostrophe}t breathe.", "breathing") == [(f"can{apostrophe}t breathe", "affirmed")]


@pytest.mark.parametrize("gap", [" ", "  ", "\t", "\u00a0", "\n", "\r\n"])
def test_any_white_space_stands_between_words(gap: str) -> None:
    assert [a for _, a in told(f"Signs of excited{gap}delirium.", "outdated_term")] == ["affirmed"]


@pytest.mark.parametrize(
    ("text", "family"),
    [
        ("Patient was unrespnsive.", "quiet"),
        ("He was vomitting.", "vomiting"),
        ("Became apniec.", "apnoea"),
        ("Left unatended in back.", "left_alone"),
        ("Ketamne 300 mg IM.", "drug"),
        ("Handcufs left on.", "device"),
    ],
)
def test_a_typing_error_is_read_as_the_word_that_was_meant(text: str, family: str) -> None:
    found = hits(text, family)
    assert [hit.assertion for hit in found] == ["affirmed"]
    assert found[0].corrected


@pytest.mark.parametrize(
    ("text", "family"),
    [
        ("He was tased by police.", "device"),
        ("He begged us to stop.", "apnoea"),
        ("There was some confusion.", "injury_patient"),
        ("Smelling of smoke.", "injury_patient"),
        ("Polite and calm.", "purpose"),
    ],
)
def test_an_ordinary_word_is_no_slip_for_another(text: str, family: str) -> None:
    assert hits(text, family) == []


def test_a_key_word_with_one_slip_is_found_most_of_the_time() -> None:
    """One random change in a word of five to twelve letters; without spelling about two in five are found."""
    draw = random.Random(7)
    cases = {
        "Patient was unresponsive.": ("unresponsive", "quiet"),
        "Patient vomited.": ("vomited", "vomiting"),
        "He was handcuffed.": ("handcuffed", "device"),
        "He was left unattended.": ("unattended", "left_alone"),
        "He had a seizure.": ("seizure", "seizure"),
        "He was convulsing.": ("convulsing", "seizure"),
        "Given midazolam 5 mg.": ("midazolam", "drug"),
        "He suddenly collapsed.": ("collapsed", "quiet"),
    }
    found = tried = 0
    for text, (word, family) in cases.items():
        for _ in range(20):
            at = draw.randrange(1, len(word) - 1)
            kind = draw.randrange(4)
            letter = draw.choice(string.ascii_lowercase)
            wrong = (
                word[:at] + word[at + 1 :],
                word[:at] + letter + word[at:],
                word[:at] + letter + word[at + 1 :],
                word[:at] + word[at + 1] + word[at] + word[at + 2 :],
            )[kind]
            tried += 1
            found += any(hit.assertion == "affirmed" for hit in hits(text.replace(word, wrong), family))
    assert found / tried >= 0.9


@pytest.mark.parametrize(
    ("text", "family", "assertion"),
    [
        ("Denies pain. Placed prone.", "position", "affirmed"),
        ("No weapons found, but placed prone.", "position", "affirmed"),
        ("No weapons found, placed prone.", "position", "affirmed"),
        ("Denies CP, SOB, N/V or seizures.", "seizure", "negated"),
        ("No pulse, CPR started.", "apnoea", "affirmed"),
        ("Did not mention the ketamine to the nurse.", "drug", "affirmed"),
        ("Denies pain and states he can't breathe.", "breathing", "affirmed"),
        ("PMH: seizures, asthma", "seizure", "historical"),
        ("PMH: asthma\nHad a seizure en route.", "seizure", "affirmed"),
        ("Calm at first. PMH: seizures. Vomited in the unit.", "vomiting", "affirmed"),
        ("D: seizure C: none H: seizures. A: He vomited. Meds: haldol. He had a seizure.", "vomiting", "affirmed"),
        ("H: fell\nand had a seizure\nA: awake", "seizure", "historical"),
        ("Report to rn. given ketamine", "drug", "affirmed"),
        ("Home meds: haldol 5 mg, ativan", "drug", "historical"),
        ("Dispatch: unresponsive male", "quiet", "historical"),
        ("Per PD pt was unconscious.", "quiet", "historical"),
        ("Patient says we held him face down.", "position", "quoted"),
        ('He screamed "I can\'t breathe".', "breathing", "affirmed"),
        ("Found prone by PD, rolled over at once.", "position", "other_agency"),
        ("Officers were kneeling on his back when we arrived.", "weight", "other_agency"),
        ("On arrival, patient prone with officers on him.", "position", "other_agency"),
        ("On arrival, he was prone in the yard.", "position", "other_agency"),
        ("On arrival combative, placed prone.", "position", "affirmed"),
        ("Made contact with patient, restrained prone.", "position", "affirmed"),
        ("Told to watch for vomiting, headache, and seizure.", "seizure", "hypothetical"),
        ("Told to watch for vomiting. He vomited.", "vomiting", "hypothetical"),
        ("Sending RN reports he hit a sitter, got olanzapine 10 mg at 0700.", "drug", "other_agency"),
        ("Sending RN reports he hit a sitter, we gave olanzapine 10 mg.", "drug", "affirmed"),
        ("Partner bitten, skin of forearm broken.", "injury_patient", "other_agency"),
        ("EMT was hit, patient has a bruise on his arm.", "injury_patient", "affirmed"),
        ("Police wanted him sedated, told no.", "purpose", "negated"),
        ("Police wanted him sedated, done.", "purpose", "affirmed"),
        ("Left wrist released for a pressure, re-secured.", "release", "negated"),
        ("No injury period patient vomited.", "vomiting", "affirmed"),
        ("Toned out for man down not responding.", "quiet", "historical"),
        ("Fingers numb since stroke.", "limb_abnormal", "historical"),
        ("If a limb check can't be done, call.", "limb_not_checked", "hypothetical"),
    ],
)
def test_what_the_words_around_make_of_it(text: str, family: str, assertion: str) -> None:
    assert hits(text, family)[0].assertion == assertion


def test_a_denial_in_words_of_its_own_is_told() -> None:
    """Without it a record of a prone patient is held against nothing that the narrative says."""
    text = "Crew did not place him prone."
    assert told(text, "position") == [("did not place him prone", "negated")]


def test_a_hit_names_its_pattern_and_the_place_of_its_modifier() -> None:
    text = "Patient was never placed prone."
    (hit,) = hits(text, "position")
    assert hit.pattern in narrative_reader().families["position"].patterns
    assert hit.modifier is not None
    assert hit.modifier.means == "negated"
    assert hit.modifier.chars is not None
    assert text[slice(*hit.modifier.chars)] == "never"


def test_what_is_so_on_arrival_counts_and_is_marked() -> None:
    (hit,) = hits("On arrival on his side, snoring.", "breathing")
    assert (hit.assertion, hit.when) == ("affirmed", "before_contact")


def test_whose_and_when() -> None:
    (hit,) = hits("On arrival police had him prone.", "position")
    assert (hit.whose, hit.when) == ("police", "before_contact")
    (hit,) = hits("My partner sat on his chest.", "weight")
    assert (hit.whose, hit.when) == ("crew", "not_told")


@pytest.mark.parametrize(
    ("text", "dose"),
    [
        ("Ketamine 300 mg IM at 1812.", Dose("ketamine", 300, False, "im", 18 * 60 + 12)),
        ("Versed 5mg IN", Dose("midazolam", 5, False, "in", None)),
        ("gave 10 of haldol", Dose("haloperidol", 10, False, None, None)),
        ("0.3 g of ketamine IV", Dose("ketamine", 300, False, "iv", None)),
        ("500 mcg lorazepam", Dose("lorazepam", 0.5, False, None, None)),
        ("ketamine 4 mg/kg IM", Dose("ketamine", None, True, "im", None)),
        ("ketamine 3 mL IM", Dose("ketamine", None, False, "im", None)),
        ("midazolam was given in the unit", Dose("midazolam", None, False, None, None)),
        ("midazolam at 18:05", Dose("midazolam", None, False, None, 18 * 60 + 5)),
        # As a monitor writes it; without the time the dose is held against no entry.
        ("midazolam at 18:05:30", Dose("midazolam", None, False, None, 18 * 60 + 5)),
    ],
)
def test_doses(text: str, dose: Dose) -> None:
    assert hits(text, "drug")[0].reading == dose


@pytest.mark.parametrize(
    ("text", "vital"),
    [
        ("SpO2 88% at 18:05", Vital("spo2", 88, 18 * 60 + 5)),
        ("BP was 92/50", Vital("sbp", 92, None)),
        ("HR dropped to 40", Vital("hr", 40, None)),
        ("HR150", Vital("hr", 150, None)),
        ("sats in the 70s", None),
        ("EtCO2 38-42", None),
    ],
)
def test_vital_signs(text: str, vital: Vital | None) -> None:
    assert hits(text, "vital")[0].reading == vital


HOSTILE = {
    "letters": "a" * 20_000,
    "digits": "1" * 20_000,
    "groups of digits": "1,111" * 4_000,
    "times": "1:1/1." * 3_333,
    "apostrophes": "a'" * 10_000,
    "quotes": '"' * 20_000,
    "lines": "\n" * 20_000,
    "spaces": " " * 20_000,
    "headings": "a: \n" * 5_000,
    "long letters": "İ" * 20_000,
    "negations": "not prone " * 2_000,
    "pseudo-negations": "no longer " * 2_000,
    "denials": "denies " * 2_857,
    "commas": "no, prone, " * 1_818,
    "hits": "prone " * 3_333,
    "masks": "sleep apnea " * 1_666,
    "gaps": "patient was placed on his " * 769,
    "deep gaps": "knee was put right on ro " * 800,
    "police": "officer behind in his own " * 769,
    "arrivals": "on arrival, patient prone, " * 741,
    "reports": "sending nurse reports, ketamine, " * 607,
    "doses": "300 mg of ketamine 300 mg im " * 689,
    "vital signs": "hr hr 1 hr of the 2 " * 1_000,
}


@pytest.mark.parametrize("name", HOSTILE)
def test_no_text_makes_it_run_away(name: str) -> None:
    text = HOSTILE[name][:20_000]
    reader = narrative_reader()
    with cpu_at_most(0.3):
        reader.read(text)


def test_words_that_nobody_knows_cost_little() -> None:
    draw = random.Random(3)
    words = ("".join(draw.choices(string.ascii_lowercase, k=20)) for _ in range(952))
    text = " ".join(words)
    reader = narrative_reader()
    with cpu_at_most(0.3):
        reader.read(text)


def test_twice_the_text_takes_twice_the_work() -> None:
    """Counted, not timed: states that the automaton visits."""
    reader = narrative_reader()
    words = ("patient was placed on his stomach not prone officer knee on back " * 40).split()
    once, twice = len(reader._automaton.find(words)), len(reader._automaton.find(words * 2))
    assert twice <= 2 * once + 10


def test_a_narrative_of_ordinary_length_is_read_in_five_milliseconds() -> None:
    """2,000 characters as charts have them."""
    text = (
        "Dispatched for a 34 year old male with agitated behavior. On arrival found patient pacing in the yard, yelling, "
        "not following commands. Attempted verbal de-escalation for ten minutes without success. Patient swung at crew "
        "and was held by four people on a signal. Soft restraints to both wrists and ankles, secured to the frame. "
        "Midazolam 5 mg IM given at 1812 per protocol. Pulse, movement and feeling good in all limbs every ten minutes. "
        "SpO2 97% on room air, EtCO2 38, HR 118, BP 146/88, RR 18. Patient calmer after eight minutes, speaking in short "
        "sentences. Transported with paramedic at the head and EMT beside. Report to RN. "
    )
    text = (text * 4)[:2000]
    reader = narrative_reader()
    reader.read(text)
    with cpu_at_most(20 * 0.005):
        for _ in range(20):
            reader.read(text)
