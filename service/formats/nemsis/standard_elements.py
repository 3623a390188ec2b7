"""The standard's own elements of an EMSDataSet for one episode, in the order of the schema.

Mandatory elements for which an episode has nothing get neutral values (agency
0000, state 00, unit ``unit``); Required ones are Not Recorded. Nothing here
charts care that the episode does not hold.
"""

from __future__ import annotations

import uuid
from datetime import datetime

from service.episode.drugs import DRUGS

from . import codes
from .parts import (
    Document,
    Element,
    blank,
    blanks,
    element,
    given,
    items,
    key_of,
    number,
    section,
    times,
    when,
    xml_holds,
)

#: Reason of ours -> the PN that an element may have in place of a value.
_PN = {"patient_refused": "8801019", "unable_to_obtain": "8801023"}


def _back(table: codes.Table) -> dict[str, str]:
    """Our word -> the first code that means exactly that word."""
    return {code.word: number for number, code in reversed(table.items()) if not code.near}


_SEX, _LEVEL = _back(codes.SEX), _back(codes.LEVEL)
_AGE_UNIT = _back(codes.AGE_UNIT)
_COMMUNICATION, _RHYTHM, _METHOD = _back(codes.COMMUNICATION), _back(codes.RHYTHM), _back(codes.BP_METHOD)
_ACVPU, _ROUTE, _DOSE_UNIT = _back(codes.ACVPU), _back(codes.ROUTE), _back(codes.DOSE_UNIT)
_ORDERED, _ADVERSE, _POSTURE = _back(codes.ORDERED_BY), _back(codes.ADVERSE_EFFECT), _back(codes.POSTURE)
_NOT_GIVEN, _CREW_INJURY = _back(codes.NOT_GIVEN), _back(codes.CREW_INJURY)
_LIMB = {member: _back(table) for member, table in codes.LIMB_FINDING.items()}
_SITE: dict[tuple[str, str | None], str] = {where: code for code, where in reversed(codes.LIMB_SITE.items())}


class Report:
    """Builds one patient care report."""

    def __init__(self, document: Document) -> None:
        self.document = document
        self.crew = self._crew_ids()

    def build(self) -> Element:
        """The PatientCareReport up to the custom results."""
        ident = uuid.uuid5(uuid.NAMESPACE_URL, f"restraint-review:{self.document['episode_ref']}")
        found = [
            self._record(), self._response(), self._dispatch(), self._crew(), self._times(), self._patient(),
            element("ePayment", *blanks("ePayment", "01 50")), self._scene(),
            element("eSituation", *blanks("eSituation", "01 02 07 08 09 10 11 12 13 18 20")),
            element("eInjury", *blanks("eInjury", "01 03 04")),
            element("eArrest", *blanks("eArrest", "01 02 03 04 07 09 11 12 14 16 17 18 20 21 22")),
            self._history(), self._narrative(), self._vitals(), self._exam(), self._protocols(), self._medications(),
            self._procedures(), self._disposition(), self._outcome(),
        ]  # fmt: skip
        return element("PatientCareReport", *found, UUID=str(ident))

    # ------------------------------------------------------------ people

    def _crew_ids(self) -> dict[str, str]:
        """Our id of a crew member -> crew member id in the document."""
        out = {}
        for place, person in enumerate(items(self.document, "/team/members"), 1):
            if person.get("service") in ("ems", None) and isinstance(person.get("id"), str):
                out[person["id"]] = f"crew-{place}"
        return out

    def _crew(self) -> Element | None:
        groups = []
        for place, person in enumerate(items(self.document, "/team/members")):
            level = _LEVEL.get(str(person.get("level")))
            if person.get("service") not in ("ems", None) or level is None:
                continue
            groups.append(
                element(
                    "eCrew.CrewGroup",
                    element("eCrew.01", text=f"crew-{place + 1}"),
                    element("eCrew.02", text=level),
                    blank("eCrew.03"),
                    CorrelationID=key_of("/team/members", place, person),
                )
            )
        return element("eCrew", *groups) if groups else None

    def _patient(self) -> Element:
        patient = section(self.document, "patient")
        age = section(patient, "age")
        value, unit = number(age.get("value"), 0, 1, 120), _AGE_UNIT.get(str(age.get("unit")))
        both = value is not None and unit is not None
        return element(
            "ePatient",
            *blanks("ePatient", "07 08 09 14"),
            element(
                "ePatient.AgeGroup",
                given("ePatient.15", value if both else None),
                given("ePatient.16", unit if both else None),
            ),
            given("ePatient.25", _SEX.get(str(patient.get("sex")))),
        )

    def _history(self) -> Element:
        patient = section(self.document, "patient")
        need = _COMMUNICATION.get(str(patient.get("communication_need")))
        restrained = any(
            items(self.document, path) for path in ("/application/limbs", "/application/holds", "/custody/devices")
        )
        barriers = [codes.PHYSICALLY_RESTRAINED] if restrained else []
        barriers += [need] if need else []
        inside = [element("eHistory.01", text=code) for code in barriers] or [blank("eHistory.01")]
        allergies = patient.get("allergies")
        if isinstance(allergies, list):
            known = [DRUGS[name].rxcui for name in allergies if name in DRUGS]
            inside += [element("eHistory.06", text=code, CodeType=codes.RXNORM) for code in known]
            if not allergies:
                inside.append(blank("eHistory.06", pn=codes.NO_KNOWN_ALLERGY))
        inside.append(blank("eHistory.17"))
        if isinstance(patient.get("pregnant"), bool):
            inside.append(element("eHistory.18", text="3118011" if patient["pregnant"] else "3118001"))
        return element("eHistory", *inside)

    def _scene(self) -> Element:
        present = section(self.document, "custody").get("law_enforcement_present") is True
        group = (
            element(
                "eScene.ResponderGroup",
                element("eScene.04", text=codes.LAW_ENFORCEMENT_AT_SCENE),
                *blanks("eScene", "24 25"),
            )
            if present
            else None
        )
        return element("eScene", blank("eScene.01"), group, *blanks("eScene", "06 07 08 09 18 19 21"))

    def other(self) -> Element | None:
        """eOther, which comes after the custom results."""
        review = section(self.document, "chart").get("director_review_requested")
        inside = [element("eOther.01", text=codes.YES if review else codes.NO)] if isinstance(review, bool) else []
        for place, injury in enumerate(items(self.document, "/injuries/crew")):
            ident = self.crew.get(str(injury.get("person")))
            inside.append(
                element(
                    "eOther.EMSCrewMemberGroup",
                    element("eOther.04", text=ident) if ident else None,
                    element("eOther.05", text=codes.YES),
                    element("eOther.06", text=_CREW_INJURY.get(str(injury.get("kind")), _CREW_INJURY["other"])),
                    CorrelationID=key_of("/injuries/crew", place, injury),
                )
            )
        return element("eOther", *inside) if inside else None

    # ------------------------------------------------------------ the run

    def _record(self) -> Element:
        software = element(
            "eRecord.SoftwareApplicationGroup",
            *(
                element(f"eRecord.{n}", text=text)
                for n, text in (("02", "restraint-review"), ("03", "convert"), ("04", "1"))
            ),
        )
        return element("eRecord", element("eRecord.01", text="converted"), software)

    def _response(self) -> Element:
        return element(
            "eResponse",
            element("eResponse.AgencyGroup", element("eResponse.01", text="0000")),
            *blanks("eResponse", "03 04"),
            element("eResponse.ServiceGroup", element("eResponse.05", text="2205001")),
            element("eResponse.07", text="2207015"),
            *blanks("eResponse", "08 09 10 11 12"),
            *(element(f"eResponse.{n}", text="unit") for n in ("13", "14")),
            element("eResponse.23", text="2223001"),
            blank("eResponse.24"),
        )

    def _dispatch(self) -> Element:
        return element("eDispatch", element("eDispatch.01", text="2301051"), blank("eDispatch.02"))

    def _times(self) -> Element:
        transport = section(self.document, "transport")
        all_times = sorted(times(self.document))
        first, last = (
            (all_times[0].isoformat(), all_times[-1].isoformat()) if all_times else ("1950-01-02T00:00:00-00:00",) * 2
        )
        return element(
            "eTimes",
            blank("eTimes.01"),
            element("eTimes.03", text=first),
            *blanks("eTimes", "05 06"),
            given("eTimes.07", when(transport.get("at_patient"))),
            given("eTimes.09", when(transport.get("departed"))),
            given("eTimes.11", when(transport.get("arrived"))),
            given("eTimes.12", when(section(self.document, "handover").get("time"))),
            element("eTimes.13", text=last),
        )

    def _narrative(self) -> Element | None:
        text = self.document.get("narrative")
        if isinstance(text, str) and text.strip() and len(text) <= 10_000 and xml_holds(text):
            return element("eNarrative", element("eNarrative.01", text=text))
        return None

    def _protocols(self) -> Element:
        group = element(
            "eProtocols.ProtocolGroup",
            element("eProtocols.01", text=codes.BEHAVIOURAL_PROTOCOL),
            blank("eProtocols.02"),
        )
        return element("eProtocols", group)

    # ------------------------------------------------------------ vital signs and examination

    def _vitals(self) -> Element:
        sets = items(self.document, "/monitoring/vitals")
        return (
            element("eVitals", *(self._vital(place, vital) for place, vital in enumerate(sets)))
            if sets
            else element("eVitals", self._vital(0, {}, ""))
        )

    def _vital(self, place: int, vital: Document, key: str | None = None) -> Element:
        before = vital.get("before_care")
        method = _METHOD.get(str(vital.get("bp_method")))
        temperature = number(vital.get("temperature_c"), 1, 0, 50, 3)
        carbon = number(vital.get("etco2_mmhg"), 1, 0, 760, 4)
        reading = vital.get("glucose_reading")
        glucose = (
            str(reading).capitalize() if reading in ("low", "high") else number(vital.get("glucose_mg_dl"), 0, 0, 2000)
        )
        rhythm, total = _RHYTHM.get(str(vital.get("rhythm"))), number(vital.get("gcs_total"), 0, 3, 15)
        return element(
            "eVitals.VitalGroup",
            given("eVitals.01", when(vital.get("time"))),
            given("eVitals.02", None if type(before) is not bool else codes.YES if before else codes.NO),
            element("eVitals.CardiacRhythmGroup", given("eVitals.03", rhythm), *blanks("eVitals", "04 05")),
            element(
                "eVitals.BloodPressureGroup",
                self._sign(vital, "sbp", "eVitals.06"),
                self._sign(vital, "dbp", "eVitals.07") if "dbp" in vital else None,
                element("eVitals.08", text=method) if method else None,
            ),
            element("eVitals.HeartRateGroup", self._sign(vital, "hr", "eVitals.10")),
            self._sign(vital, "spo2", "eVitals.12"),
            self._sign(vital, "rr", "eVitals.14"),
            element("eVitals.16", text=carbon, ETCO2Type=codes.MMHG)
            if carbon
            else self._sign(vital, "etco2_mmhg", "eVitals.16"),
            element("eVitals.18", text=glucose) if glucose else self._sign(vital, "glucose_mg_dl", "eVitals.18"),
            element(
                "eVitals.GlasgowScoreGroup",
                *(
                    self._sign(vital, f"gcs_{part}", f"eVitals.{n}")
                    for part, n in (("eye", "19"), ("verbal", "20"), ("motor", "21"))
                ),
                blank("eVitals.22"),
                element("eVitals.23", text=total) if total else None,
            ),
            element("eVitals.TemperatureGroup", element("eVitals.24", text=temperature)) if temperature else None,
            given("eVitals.26", _ACVPU.get(str(vital.get("acvpu")))),
            element("eVitals.PainScaleGroup", blank("eVitals.27")),
            element("eVitals.StrokeScaleGroup", *blanks("eVitals", "29 30")),
            blank("eVitals.31"),
            CorrelationID=key_of("/monitoring/vitals", place, vital) if key is None else key,
        )

    def _sign(self, vital: Document, member: str, name: str) -> Element:
        value = vital.get(member)
        if type(value) is int:
            return element(name, text=str(value))
        pn = _PN.get(str(value.get("reason"))) if isinstance(value, dict) else None
        return blank(name, pn=pn or "")

    def _exam(self) -> Element | None:
        weight = number(section(self.document, "patient").get("weight_kg"), 1, 0.1, 999.9, 4)
        groups = [
            self._limb_check(place, check)
            for place, check in enumerate(items(self.document, "/monitoring/limb_checks"))
        ]
        inside = [element("eExam.01", text=weight)] if weight else []
        inside += [group for group in groups if group is not None]
        return element("eExam", *inside) if inside else None

    def _limb_check(self, place: int, check: Document) -> Element | None:
        found = [_LIMB[member][word] for member in _LIMB if (word := str(check.get(member))) in _LIMB[member]]
        where = _SITE.get((check["site"], check.get("side")))
        if not found or where is None:
            return None
        time = when(check.get("time"))
        limb = element(
            "eExam.ExtremityGroup",
            element("eExam.15", text=where),
            *(element("eExam.16", text=code) for code in found),
            CorrelationID=key_of("/monitoring/limb_checks", place, check),
        )
        return element("eExam.AssessmentGroup", element("eExam.03", text=time) if time else None, limb)

    # ------------------------------------------------------------ drugs and procedures

    def _medications(self) -> Element:
        groups = [
            self._medication(key_of("/sedation/doses", place, dose), dose, "")
            for place, dose in enumerate(items(self.document, "/sedation/doses"))
            if dose["drug"] in DRUGS
        ] + [
            self._medication(key_of("/sedation/not_given", place, drug), drug, pn)
            for place, drug in enumerate(items(self.document, "/sedation/not_given"))
            if str(drug.get("drug")) in DRUGS and (pn := _NOT_GIVEN.get(str(drug.get("reason"))))
        ]
        return element("eMedications", *(groups or [self._medication("", {}, "")]))

    def _medication(self, key: str, dose: Document, pn: str) -> Element:
        drug = dose.get("drug")
        amount, unit = number(dose.get("dose"), 3, 0.001, 999999), _DOSE_UNIT.get(str(dose.get("unit")))
        effects = dose.get("adverse_effects")
        words = [_ADVERSE.get(word, _ADVERSE["other"]) for word in effects] if isinstance(effects, list) else []
        if effects == []:
            words = ["3708031"]
        by, order = self.crew.get(str(dose.get("given_by"))), _ORDERED.get(str(dose.get("ordered_by")))
        return element(
            "eMedications.MedicationGroup",
            given("eMedications.01", when(dose.get("time"))),
            given("eMedications.02", codes.NO if drug else None),
            element("eMedications.03", text=DRUGS[drug].rxcui, CodeType=codes.RXNORM, PN=pn)
            if drug
            else blank("eMedications.03"),
            given("eMedications.04", _ROUTE.get(str(dose.get("route")))),
            element("eMedications.DosageGroup", given("eMedications.05", amount), given("eMedications.06", unit)),
            given("eMedications.07", "9916003" if dose.get("effect") == "none" else None),
            *([element("eMedications.08", text=code) for code in dict.fromkeys(words)] or [blank("eMedications.08")]),
            element("eMedications.09", text=by) if by else None,
            blank("eMedications.10"),
            element("eMedications.11", text=order) if order else None,
            CorrelationID=key,
        )

    def _procedures(self) -> Element:
        limbs = items(self.document, "/application/limbs")
        started = when(section(self.document, "application").get("started"))
        groups = [self._procedure("", "386423001", started)] if limbs else []
        groups += [
            self._procedure(key_of("/application/holds", place, hold), "78086002", when(hold.get("start")))
            for place, hold in enumerate(items(self.document, "/application/holds"))
        ]
        return element("eProcedures", *(groups or [self._procedure("", None, None)]))

    def _procedure(self, key: str, code: str | None, time: str | None) -> Element:
        return element(
            "eProcedures.ProcedureGroup",
            given("eProcedures.01", time),
            given("eProcedures.02", codes.NO if code else None),
            given("eProcedures.03", code),
            *blanks("eProcedures", "05 06 07 08 10"),
            CorrelationID=key,
        )

    # ------------------------------------------------------------ disposition

    def _disposition(self) -> Element:
        moved = section(self.document, "transport").get("transported")
        postures = [
            element("eDisposition.14", text=code, CorrelationID=key_of("/postures", place, posture))
            for place, posture in enumerate(items(self.document, "/postures"))
            if self._on_the_way(posture) and (code := _POSTURE.get(posture["posture"]))
        ]
        return element(
            "eDisposition",
            element("eDisposition.DestinationGroup", *blanks("eDisposition", "05 06 07")),
            element(
                "eDisposition.IncidentDispositionGroup",
                element("eDisposition.27", text="4227001"),
                *blanks("eDisposition", "28 29"),
                given(
                    "eDisposition.30", {True: "4230001", False: "4230013"}.get(moved) if type(moved) is bool else None
                ),
            ),
            *postures,
            *blanks("eDisposition", "16 17 18 19 20 21 22 23"),
            element("eDisposition.HospitalTeamActivationGroup", *blanks("eDisposition", "24 25")),
            blank("eDisposition.32"),
        )

    def _on_the_way(self, posture: Document) -> bool:
        """Whether a posture reaches into the journey."""
        transport = section(self.document, "transport")
        left, start, end = (when(t) for t in (transport.get("departed"), posture.get("start"), posture.get("end")))
        arrived = when(transport.get("arrived"))
        if left is None or start is None:
            return False
        order = datetime.fromisoformat
        return (end is None or order(end) > order(left)) and (arrived is None or order(start) < order(arrived))

    def _outcome(self) -> Element:
        return element(
            "eOutcome",
            *blanks("eOutcome", "01 02"),
            element("eOutcome.EmergencyDepartmentProceduresGroup", *blanks("eOutcome", "09 19")),
            *blanks("eOutcome", "10 11"),
            element("eOutcome.HospitalProceduresGroup", *blanks("eOutcome", "12 20")),
            *blanks("eOutcome", "13 16 18"),
        )
