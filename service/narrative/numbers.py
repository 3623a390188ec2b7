"""Numbers in the narrative: a drug with dose, unit, route and time; a vital sign with value and time."""

from __future__ import annotations

from dataclasses import dataclass

from .tokens import Sentence

#: Words of a route -> route of the record.
ROUTES = {"im": "im", "iv": "iv", "io": "io", "nasal": "in", "in": "in", "po": "po", "sl": "sl"}
UNITS = {"mg": "mg", "mcg": "ug", "g": "g", "ml": "mL"}
PER_KG = frozenset(("mg_per_kg", "mcg_per_kg"))
#: Words of a vital sign -> member of a set.
VITALS = {
    "saturation": "spo2", "sat": "spo2", "hr": "hr", "pulse": "hr", "p": "hr", "rr": "rr", "respirations": "rr", "bp": "sbp",
    "etco2": "etco2_mmhg", "glucose": "glucose_mg_dl", "gcs": "gcs_total",
}  # fmt: skip
#: Words that stand between a drug and its dose, or a vital sign and its value.
_BETWEEN = frozenset(
    ("of", "was", "is", "at", "to", "a", "the", "total", "dose", "given", "slow", "now", "then", "dropped", "down", "up",
     "drug", "injection", "administered", "initial", "first", "second", "an", "reading", "read", "ra", "on", "with", "=",
     "in", "low", "high", "fell", "rose", "improved", "from", "remained", "stayed", "approx", "about", "around")
)  # fmt: skip
_LOOK = 6


@dataclass(frozen=True, slots=True)
class Dose:
    """A drug as told. ``mg``: None where no dose is told in a unit of mass; ``clock``: minutes after midnight, or None."""

    drug: str
    mg: float | None
    per_kg: bool
    route: str | None
    clock: int | None


@dataclass(frozen=True, slots=True)
class Vital:
    """A vital sign as told, by its member in the record."""

    member: str
    value: float
    clock: int | None


def reading(family: str, sentence: Sentence, start: int, end: int) -> Dose | Vital | None:
    """The drug or vital sign of a hit (words ``start`` to ``end``), None where there is none."""
    if family == "drug":
        return _dose(sentence, start, end)
    if family == "vital":
        return _vital(sentence, start, end)
    return None


def _number(word: str) -> float | None:
    try:
        return float(word) if word[0].isdigit() else None
    except ValueError:
        return None


def clock_in(sentence: Sentence, start: int, end: int) -> int | None:
    """Minutes after midnight of the only time of day that a stretch of words tells, None for none or several."""
    found = set()
    for at in range(start, end):
        word = sentence.words[at]
        if not word[0].isdigit():
            continue
        hours, _, minutes = word.partition(":")
        if not minutes:
            led = at > 0 and sentence.words[at - 1] == "at"
            followed = at + 1 < len(sentence.words) and sentence.words[at + 1] in ("hours", "hrs", "h")
            if len(word) != 4 or not word.isdigit() or not (led or followed):
                continue
            hours, minutes = word[:2], word[2:]
        if (
            hours.isdigit()
            and minutes[:2].isdigit()
            and len(minutes) in (2, 5)
            and int(hours) < 24
            and int(minutes[:2]) < 60
        ):
            found.add(int(hours) * 60 + int(minutes[:2]))
    return found.pop() if len(found) == 1 else None


def _is_time(sentence: Sentence, at: int) -> bool:
    return ":" in sentence.words[at] or (
        at > 0 and sentence.words[at - 1] == "at" and len(sentence.words[at]) == 4 and sentence.words[at].isdigit()
    )


def _amount(sentence: Sentence, at: int) -> tuple[float | None, bool, int]:
    """(mg or None, per kilogram, words used) of a number with its unit at a place; (None, False, 0) without one."""
    words = sentence.words
    value = _number(words[at]) if 0 <= at < len(words) else None
    if value is None or _is_time(sentence, at):
        return None, False, 0
    unit = words[at + 1] if at + 1 < len(words) else ""
    if unit in PER_KG:
        return None, True, 2
    if unit not in UNITS:
        return value, False, 1
    if unit == "ml":
        return None, False, 2
    return value * {"mg": 1.0, "mcg": 0.001, "g": 1000.0}[unit], False, 2


def _dose(sentence: Sentence, start: int, end: int) -> Dose | None:
    words = sentence.words
    drug, at = None, start
    for number in range(start, end):
        if words[number] in DRUGS:
            drug, at = words[number], number
            break
    if drug is None:
        return None
    mg: float | None = None
    per_kg, used, after = False, 0, at + 1
    # "ketamine 300 mg IM": the number after the drug, a few small words between.
    look = at + 1
    while look < len(words) and look - at <= _LOOK and words[look] in _BETWEEN | set(ROUTES):
        look += 1
    mg, per_kg, used = _amount(sentence, look)
    after = look + used if used else at + 1
    if not used:
        # "300 mg of ketamine", "10 of midazolam".
        back = at - 1
        while back >= 0 and words[back] in ("of", "im", "iv"):
            back -= 1
        if back >= 1 and (words[back] in UNITS or words[back] in PER_KG) and _number(words[back - 1]) is not None:
            mg, per_kg, used = _amount(sentence, back - 1)
        elif back >= 0 and back < at - 1 and _number(words[back]) is not None:
            mg, per_kg, used = _amount(sentence, back)
    route = None
    for near in [*range(after, min(after + 3, len(words))), *range(at + 1, after), *range(max(at - 3, 0), at)]:
        if words[near] == "in" and (near + 1 < len(words) and words[near + 1] not in ("at", "for", "and", ",")):
            continue  # the preposition, not the nose
        if words[near] in ROUTES:
            route = ROUTES[words[near]]
            break
    return Dose(drug, mg, per_kg, route, clock_in(sentence, max(start - 4, 0), min(after + 6, len(words))))


def _vital(sentence: Sentence, start: int, end: int) -> Vital | None:
    words = sentence.words
    for at in range(start, end):
        member = VITALS.get(words[at])
        if member is None:
            continue
        look = at + 1
        while look < len(words) and look - at <= _LOOK and words[look] in _BETWEEN:
            look += 1
        if look < len(words) and not _is_time(sentence, look):
            value = _number(words[look].partition("/")[0])
            after = words[look + 1] if look + 1 < len(words) else ""
            # "90s" and "90-95" are no value.
            if value is not None and after != "s" and not after[:1].isdigit():
                return Vital(member, value, clock_in(sentence, max(at - 4, 0), min(look + 5, len(words))))
    return None


#: Drugs whose doses are read, by their names in the record.
DRUGS = frozenset(
    ("ketamine", "midazolam", "lorazepam", "diazepam", "haloperidol", "droperidol", "ziprasidone", "olanzapine",
     "diphenhydramine", "dexmedetomidine", "etomidate", "propofol")
)  # fmt: skip
