"""What was found: times, vital signs, limb checks, posture, arrest."""

from __future__ import annotations

from . import codes
from .chart import Chart, Spot, as_number, moment
from .treatments import moment_of
from .tree import NOT_COLLECTED, El

#: No end-tidal value in kPa or percent is as high as this in a living patient: 20 kPa are 150 mm[Hg].
LEAST_ONLY_MMHG = 20


def times(chart: Chart) -> None:
    """Read eTimes, eDisposition.30 and eDisposition.31. The unit's return to service is not read as transfer of care."""
    here = chart.pcr.get("eTimes")
    if not here:
        return
    transport = chart.part("/transport", here)
    chart.take(transport, "at_patient", here.get("eTimes.07"))
    chart.take(transport, "departed", here.get("eTimes.09"))
    chart.take(transport, "arrived", here.get("eTimes.11"))
    moved = chart.pcr.get("eDisposition", "eDisposition.IncidentDispositionGroup", "eDisposition.30")
    known = codes.TRANSPORTED.get(moved.text)
    chart.take(transport, "transported", moved, lambda _: known.word == "yes" if known else None)
    _ended(chart)
    given, passed_on = here.get("eTimes.12"), here.get("eTimes.08")
    if given.text:
        chart.take(chart.part("/handover", here), "time", given)
    elif passed_on.text:
        chart.notice("handed-to-other-unit", passed_on.at)
        chart.take(chart.part("/handover", here), "time", passed_on)
    elif given.absence:
        chart.take(chart.part("/handover", here), "time", given)


def _ended(chart: Chart) -> None:
    """Read eDisposition.31: of several reasons the release to law enforcement, else the first."""
    reasons = chart.pcr.get("eDisposition", "eDisposition.IncidentDispositionGroup").each("eDisposition.31")
    known = [(el, codes.HOW_ENDED[el.text].word) for el in reasons if el.text in codes.HOW_ENDED]
    if known:
        el, how = next((pair for pair in known if pair[1] == "released_to_law_enforcement"), known[0])
        chart.set_value(chart.part("/transport/ended", el), "how", how, el)


# ---------------------------------------------------------------- vital signs


def vitals(chart: Chart) -> None:
    """Read eVitals: one set for each group in which anything is charted."""
    for group in chart.pcr.get("eVitals").each("eVitals.VitalGroup"):
        key = group.key
        spot = chart.item("/monitoring/vitals", group, key)
        had = len(spot.data)
        _signs(chart, spot, group)
        if len(spot.data) == had and (key is None or key not in chart.referenced):
            chart.forget_last("/monitoring/vitals")
            continue
        chart.take(spot, "time", group.get("eVitals.01"))
        before = group.get("eVitals.02")
        if before.text in (codes.YES, codes.NO):
            chart.set_value(spot, "before_care", before.text == codes.YES, before)
        effort = group.get("eVitals.15")
        if effort.text in codes.BREATHING:
            check = chart.item("/monitoring/breathing_checks", effort, effort.key)
            chart.code(check, "breathing", effort, codes.BREATHING)
            chart.take(check, "time", group.get("eVitals.01"))


def _signs(chart: Chart, spot: Spot, group: El) -> None:
    pressure, coma = group.get("eVitals.BloodPressureGroup"), group.get("eVitals.GlasgowScoreGroup")
    chart.number(spot, "hr", group.get("eVitals.HeartRateGroup", "eVitals.10"), zero_if_not_present=True)
    chart.number(spot, "rr", group.get("eVitals.14"), zero_if_not_present=True)
    chart.number(spot, "spo2", group.get("eVitals.12"))
    _carbon_dioxide(chart, spot, group.get("eVitals.16"))
    chart.number(spot, "sbp", pressure.get("eVitals.06"), zero_if_not_present=True)
    diastolic, method = pressure.get("eVitals.07"), pressure.get("eVitals.08")
    if diastolic.text in ("P", "p"):
        chart.set_value(spot, "dbp", {"absent": "declined", "reason": "unable_to_obtain"}, diastolic)
        chart.set_value(spot, "bp_method", "palpated", diastolic)
    else:
        chart.number(spot, "dbp", diastolic)
        if method:
            chart.code(spot, "bp_method", method, codes.BP_METHOD)
    chart.number(spot, "temperature_c", group.get("eVitals.TemperatureGroup", "eVitals.24"))
    glucose = group.get("eVitals.18")
    if glucose.text.lower() in ("low", "high"):
        chart.set_value(spot, "glucose_reading", glucose.text.lower(), glucose)
    else:
        chart.number(spot, "glucose_mg_dl", glucose)
    for member, number in (("gcs_eye", "19"), ("gcs_verbal", "20"), ("gcs_motor", "21"), ("gcs_total", "23")):
        chart.number(spot, member, coma.get(f"eVitals.{number}"))
    alert = group.get("eVitals.26")
    if alert:
        chart.code(spot, "acvpu", alert, codes.ACVPU)
    _rhythm(chart, spot, list(group.each("eVitals.CardiacRhythmGroup", "eVitals.03")))


def _carbon_dioxide(chart: Chart, spot: Spot, el: El) -> None:
    unit = el.attribute("ETCO2Type")
    amount = as_number(el.text)
    if amount is None or unit == codes.MMHG:
        chart.number(spot, "etco2_mmhg", el)
    elif unit == codes.KPA:
        chart.set_value(spot, "etco2_mmhg", round(amount * codes.MMHG_PER_KPA, 1), el)
    elif not unit and amount >= LEAST_ONLY_MMHG:
        chart.notice("unit-taken-as-mmhg", el.at)
        chart.number(spot, "etco2_mmhg", el)
    else:
        # A percentage can be converted only with the ambient pressure.
        chart.unreadable(spot, "etco2_mmhg", el, "unusable-unit")


def _rhythm(chart: Chart, spot: Spot, found: list[El]) -> None:
    known = [el for el in found if el.text in codes.RHYTHM]
    if known:
        worst = min(known, key=lambda el: codes.WORST_RHYTHM.index(codes.RHYTHM[el.text].word))
        chart.code(spot, "rhythm", worst, codes.RHYTHM)
    elif found:
        chart.code(spot, "rhythm", found[0], codes.RHYTHM)


# ---------------------------------------------------------------- examination


def examination(chart: Chart) -> None:
    """Read eExam: one limb check for each limb of an examination, combative behavior, seizures."""
    application = chart.objects.get("/application")
    started = moment_of(application.data.get("started")) if application else None
    for group in chart.pcr.get("eExam").each("eExam.AssessmentGroup"):
        when = group.get("eExam.03")
        charted = moment(when.text)
        for limb in group.each("eExam.ExtremityGroup"):
            _limb_check(chart, limb, when)
        for el in group.each("eExam.19"):
            # Behavior after the start of the application did not lead to it.
            if el.text == codes.COMBATIVE and not el.pn and not (charted and started and charted > started):
                behaviour = chart.item("/decision/behaviours", el, el.key)
                chart.set_value(behaviour, "behaviour", "other", el)
                chart.take(behaviour, "time", when)
        for el in group.each("eExam.20"):
            if el.text in codes.SEIZURE and not el.pn:
                event = chart.item("/monitoring/events", el, el.key)
                chart.set_value(event, "event", "seizure", el)
                chart.take(event, "time", when)


#: Codes of eExam.16 that make the examination of a limb a limb check.
_OF_A_CHECK = {code for table in codes.LIMB_FINDING.values() for code in table} | {
    codes.LIMB_NORMAL,
    codes.LIMB_NOT_DONE,
}


def _limb_check(chart: Chart, limb: El, when: El) -> None:
    where = limb.get("eExam.15")
    site = codes.LIMB_SITE.get(where.text)
    found = list(limb.each("eExam.16"))
    told = {el.text for el in found}
    if site is None or told.isdisjoint(_OF_A_CHECK):
        return
    check = chart.item("/monitoring/limb_checks", limb, limb.key)
    chart.set_value(check, "site", site[0], where)
    chart.set_value(check, "side", site[1], where)
    chart.take(check, "time", when)
    if codes.LIMB_NOT_DONE in told:
        chart.set_value(check, "not_done", "other", next(el for el in found if el.text == codes.LIMB_NOT_DONE))
    for member, table in codes.LIMB_FINDING.items():
        of_member = [el for el in found if el.text in table]
        present = [el for el in of_member if not el.pn]
        if present:
            order = list(table)
            chart.code(check, member, min(present, key=lambda el: order.index(el.text)), table)
        elif of_member:
            chart.unreadable(check, member, of_member[0], "negated-finding")
        elif codes.LIMB_NORMAL in told:
            # "Normal" alone does not say whether this was looked at.
            chart.set_value(check, member, NOT_COLLECTED, limb)


# ---------------------------------------------------------------- posture, arrest


def posture(chart: Chart) -> None:
    """Read eDisposition.14, which has no time: a single posture gets the times of the journey, several get none."""
    found = [el for el in chart.pcr.get("eDisposition").each("eDisposition.14") if el.text in codes.POSTURE]
    here = chart.pcr.get("eTimes")
    for el in found:
        item = chart.item("/postures", el, el.key)
        chart.code(item, "posture", el, codes.POSTURE)
        if len(found) == 1:
            chart.take(item, "start", here.get("eTimes.09"))
            chart.take(item, "end", here.get("eTimes.11"))
        else:
            chart.set_value(item, "start", NOT_COLLECTED, el)
            chart.set_value(item, "end", NOT_COLLECTED, el)


def arrest(chart: Chart) -> None:
    """Read eArrest.01 and eArrest.14."""
    here = chart.pcr.get("eArrest")
    what = here.get("eArrest.01")
    if what.text in (codes.ARREST_BEFORE, codes.ARREST_AFTER):
        event = chart.item("/monitoring/events", what, what.key)
        chart.set_value(event, "event", "arrest", what)
        chart.set_value(event, "before_care", what.text == codes.ARREST_BEFORE, what)
        chart.take(event, "time", here.get("eArrest.14"))
