"""Patient, crew, law enforcement, injuries, and the chart itself."""

from __future__ import annotations

from datetime import date
from typing import Any

from service.formats import rxnorm
from service.formats.diagnoses import HISTORY, begins_with
from service.formats.meaning import Meaning
from service.formats.procedures import PROCEDURES

from . import codes
from .chart import Chart, as_number
from .tree import NOT_COLLECTED, El

_Words = list[str]


def meaning_of(el: El) -> Meaning | None:
    """What the code of a drug means, RxNorm unless it says otherwise; None for one that is not known."""
    kind = el.attribute("CodeType")
    if kind in ("", codes.RXNORM):
        return rxnorm.MEDICATIONS.get(el.text)
    return rxnorm.BLOOD.get(el.text) or PROCEDURES.get(el.text) if kind == codes.SNOMED else None


def drug_of(el: El) -> str | None:
    """Our word for the drug of a code, None for one that is not known or no drug of the record."""
    found = meaning_of(el)
    return found.word if found is not None and found.kind == "drug" else None


def patient(chart: Chart) -> None:
    """Read ePatient, eHistory and eExam.01."""
    here, history = chart.pcr.get("ePatient"), chart.pcr.get("eHistory")
    if here:
        spot = chart.part("/patient", here)
        _age(chart, here)
        chart.code(
            spot,
            "sex",
            here.get("ePatient.25") or here.get("ePatient.13"),
            codes.SEX if here.get("ePatient.25") else codes.GENDER,
        )
        chart.number(spot, "weight_kg", chart.pcr.get("eExam", "eExam.01"))
    if history:
        _history(chart, history)


def _age(chart: Chart, here: El) -> None:
    group = here.get("ePatient.AgeGroup")
    value, unit = group.get("ePatient.15"), group.get("ePatient.16")
    if value.text and unit.text:
        age = chart.part("/patient/age", group)
        if unit.text in codes.AGE_UNDER_A_DAY:
            chart.set_value(age, "value", 0, value)
            chart.set_value(age, "unit", "d", unit)
        else:
            # An age needs both members: without one that can be read there is none.
            known = codes.AGE_UNIT.get(unit.text)
            if known and chart.set_value(age, "value", as_number(value.text), value):
                chart.set_value(age, "unit", known.word, unit)
                if value.pn == codes.APPROXIMATE:
                    chart.notice("approximate", value.at)
            else:
                del chart.objects["/patient/age"]
                chart.unreadable(
                    chart.part("/patient", here),
                    "age",
                    unit if not known else value,
                    "unknown-code" if not known else "out-of-bounds",
                )
    elif not _age_from_birth(chart, here) and value:
        absence = value.absence
        if absence is not None:
            chart.set_value(chart.part("/patient", here), "age", absence, value)


def _age_from_birth(chart: Chart, here: El) -> bool:
    born = here.get("ePatient.17")
    when = next((el for number in ("07", "06", "03") if (el := chart.pcr.get("eTimes", f"eTimes.{number}")).text), None)
    if not born.text or when is None:
        return False
    try:
        start, day = date.fromisoformat(born.text[:10]), date.fromisoformat(when.text[:10])
    except ValueError:
        return False
    months = (day.year - start.year) * 12 + day.month - start.month - (day.day < start.day)
    if not 0 <= months <= 130 * 12:
        return False
    age = chart.part("/patient/age", born)
    years = months >= 24
    chart.set_value(age, "value", months // 12 if years else months, born)
    chart.set_value(age, "unit", "a" if years else "mo", born)
    chart.notice("age-from-birth-date", born.at)
    return True


def _history(chart: Chart, history: El) -> None:
    spot = chart.part("/patient", history)
    barriers = [el for el in history.each("eHistory.01") if el.text]
    need = next((el for el in barriers if el.text in codes.COMMUNICATION), None)
    if need is not None:
        chart.code(spot, "communication_need", need, codes.COMMUNICATION)
    elif barriers:
        # eHistory.01 lists all barriers to care, and none of those charted is one to communication.
        chart.set_value(spot, "communication_need", "none", barriers[0])
    pregnancy = history.get("eHistory.18")
    known = codes.PREGNANT.get(pregnancy.text)
    if known is not None and known.word == "unsure":
        chart.set_value(spot, "pregnant", NOT_COLLECTED, pregnancy)
    else:
        chart.take(spot, "pregnant", pregnancy, lambda _: known.word == "yes" if known else None)
    _listed(chart, history, "eHistory.06", "allergies", _allergies, codes.NO_KNOWN_ALLERGY)
    _listed(chart, history, "eHistory.08", "conditions", _conditions, codes.NONE_REPORTED)
    _substances(chart, history, [el for el in barriers if el.text in codes.SUBSTANCES])


def _listed(chart: Chart, history: El, element: str, member: str, read: Any, none: str) -> None:
    """Set a list from a repeated element by ``read``; empty where the PN ``none`` stands in place of values."""
    found = list(history.each(element))
    if not found:
        return
    spot = chart.part("/patient", history)
    values = [el for el in found if el.text]
    if values:
        chart.set_value(spot, member, read(values), values[0])
    elif found[0].pn == none:
        chart.set_value(spot, member, [], found[0])
    else:
        chart.take(spot, member, found[0])


def _allergies(found: list[El]) -> _Words:
    return sorted({drug for el in found if (drug := drug_of(el)) and drug != "other"})


def _conditions(found: list[El]) -> _Words:
    return sorted({meaning.word if (meaning := begins_with(el.text, HISTORY)) else "other" for el in found})


def _substances(chart: Chart, history: El, suspected: list[El]) -> None:
    found = list(history.each("eHistory.17"))
    charted = [el for el in found if el.text in codes.SUBSTANCES] + suspected
    told: set[tuple[str, str]] = set()
    for el in charted:
        pair = codes.SUBSTANCES[el.text]
        if pair in told:
            continue
        told.add(pair)
        item = chart.item("/patient/substances", el)
        chart.set_value(item, "substance", pair[0], el)
        chart.set_value(item, "basis", pair[1], el)
    if not charted and found:
        spot = chart.part("/patient", history)
        if found[0].pn == codes.NONE_REPORTED:
            chart.set_value(spot, "substances", [], found[0])
        else:
            chart.take(spot, "substances", found[0], lambda _: None)


# ---------------------------------------------------------------- crew


class Crew:
    """The people of a chart, with opaque ids of ours. The crew member ids of the chart are not kept."""

    def __init__(self, chart: Chart) -> None:
        self.levels: list[str] = []
        self.transport_levels: list[str] = []
        self._ids: dict[str, str] = {}
        self._level_of: dict[str, str] = {}
        self._chart = chart
        self._others: dict[str, str] = {}
        group = chart.pcr.get("eCrew")
        for number, el in enumerate(group.each("eCrew.CrewGroup"), 1):
            self._member(el, f"p{number}")
        self._aboard(group)

    def _member(self, el: El, ident: str) -> None:
        level, code = el.get("eCrew.02"), el.get("eCrew.01")
        if not (level.text or code.text):
            return
        item = self._chart.item("/team/members", el, el.key)
        self._chart.set_value(item, "id", ident, el, override=True)
        self._chart.set_value(item, "service", "ems", el)
        self._chart.code(item, "level", level, codes.LEVEL)
        if code.text:
            self._ids[code.text] = ident
        word = item.data.get("level")
        if isinstance(word, str):
            self.levels.append(word)
            self._level_of[code.text] = word
            if any(role.text in codes.CARES_IN_TRANSPORT for role in el.each("eCrew.03")):
                self.transport_levels.append(word)

    def _aboard(self, group: El) -> None:
        if self.levels:
            rank = codes.RANKS.index
            team = self._chart.part("/team", group)
            self._chart.set_value(team, "highest_level", max(self.transport_levels or self.levels, key=rank), group)
        if self.transport_levels:
            levels = sorted(set(self.transport_levels), key=codes.RANKS.index)
            self._chart.set_value(self._chart.part("/transport", group), "attendants", levels, group)

    def ident(self, el: El) -> str | None:
        """Our id of the crew member whom an element names, or None."""
        return self._ids.get(el.text)

    def level(self, el: El) -> str | None:
        """The level of care of the crew member whom an element names, or None."""
        return self._level_of.get(el.text)

    def other(self, service: str, el: El) -> str:
        """Our id of somebody of a service who is no crew member; one person stands for each service."""
        if service not in self._others:
            ident = self._others[service] = f"p-{service.replace('_', '-')}"
            item = self._chart.item("/team/members", el)
            self._chart.set_value(item, "id", ident, el)
            self._chart.set_value(item, "service", service, el)
            # NEMSIS has a level of care only for the unit's own crew.
            self._chart.set_value(item, "level", NOT_COLLECTED, el)
        return self._others[service]


def law_enforcement(chart: Chart) -> None:
    """Read eScene.04: law enforcement was there. A list without them does not say that they were not."""
    for el in chart.pcr.get("eScene").each("eScene.ResponderGroup", "eScene.04"):
        if el.text == codes.LAW_ENFORCEMENT_AT_SCENE:
            chart.set_value(chart.part("/custody", el), "law_enforcement_present", True, el)
            return


# ---------------------------------------------------------------- harm, and the chart


def harm(chart: Chart, crew: Crew) -> None:
    """Read injuries of the crew (eOther.05, eOther.06), its protective equipment (eOther.03) and death (eDisposition.19)."""
    groups = list(chart.pcr.get("eOther").each("eOther.EMSCrewMemberGroup"))
    said_no = [el for group in groups if (el := group.get("eOther.05")).text == codes.NO]
    for group in groups:
        for el in group.each("eOther.06"):
            if el.text in codes.CREW_INJURY:
                item = chart.item("/injuries/crew", el, group.key)
                chart.code(item, "kind", el, codes.CREW_INJURY)
                ident = crew.ident(group.get("eOther.04"))
                if ident:
                    chart.set_value(item, "person", ident, group.get("eOther.04"))
    if said_no and len(said_no) == len(groups) and "/injuries/crew" not in chart.lists:
        chart.set_value(chart.part("/injuries", chart.pcr.get("eOther")), "crew", [], said_no[0])
    worn = {
        codes.EQUIPMENT[el.text].word: el
        for group in groups
        for el in group.each("eOther.03")
        if el.text in codes.EQUIPMENT
    }
    if worn:
        first = next(iter(worn.values()))
        chart.set_value(chart.part("/team", first), "protective_equipment", sorted(worn), first)
    released = chart.pcr.get("eDisposition", "eDisposition.19")
    if released.text:
        death = chart.part("/injuries/death", released)
        chart.set_value(death, "died", released.text in codes.DEAD, released)


def record(chart: Chart, crew: Crew) -> None:
    """Read eNarrative.01, eOther.01, eOther.08 and the receiver's signature."""
    narrative, other = chart.pcr.get("eNarrative", "eNarrative.01"), chart.pcr.get("eOther")
    if narrative.text:
        chart.set_value(chart.part("", chart.pcr), "narrative", narrative.raw, narrative)
    else:
        chart.take(chart.part("", chart.pcr), "narrative", narrative)
    level = crew.level(other.get("eOther.08"))
    if level:
        chart.set_value(chart.part("/chart", other), "author_level", level, other.get("eOther.08"))
    review = other.get("eOther.01")
    if review.text in (codes.YES, codes.NO):
        chart.set_value(chart.part("/chart", other), "director_review_requested", review.text == codes.YES, review)
    for group in other.each("eOther.SignatureGroup"):
        reasons = {el.text for el in group.each("eOther.13")}
        status = group.get("eOther.15")
        if (
            group.get("eOther.12").text == codes.HEALTHCARE_PROVIDER
            and codes.TRANSFER_OF_CARE in reasons
            and status.text in codes.SIGNED
        ):
            chart.set_value(chart.part("/handover", group), "receiver_identified", True, group)
            return
