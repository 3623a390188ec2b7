"""The sections of a chart, one by one. Source: NEMSIS v3.5.1 data dictionary (release 3.5.1.250403CP1)."""

from __future__ import annotations

from service.episode.absence import MISSING, NOT_COLLECTED
from service.formats.nemsis import read as nemsis_reader
from service.formats.nemsis.carried import EVERY_NOT_CARRIED
from service.problems import Rejected
from tests.support.nemsis import (
    at,
    chart,
    codes,
    document,
    el,
    nil,
    pcr,
    procedure,
    read,
    read_each,
    refused,
    state,
    vital,
)


def test_patient() -> None:
    patient = chart(
        ePatient=el("ePatient.AgeGroup", el("ePatient.15", "95"), el("ePatient.16", "2516009"))
        + el("ePatient.25", "9919001"),
        eHistory=el("eHistory.01", "3101007")
        + el("eHistory.06", "6130", CodeType="9924003")
        + el("eHistory.06", "Z88.0", CodeType="9924001")
        + el("eHistory.08", "J45.909")
        + el("eHistory.08", "Q99.9")
        + el("eHistory.17", "3117005")
        + el("eHistory.18", "3118001"),
        eExam=el("eExam.01", "81.6"),
    ).episode.patient
    assert (patient.age.value, patient.age.unit, patient.sex, patient.weight_kg) == (90, "a", "female", 81.6)
    assert (patient.communication_need, patient.allergies, patient.conditions) == (
        "language",
        ("ketamine",),
        ("asthma", "other"),
    )
    assert ([s.substance for s in patient.substances], patient.pregnant) == (["alcohol"], False)


def test_none_and_unknown_of_the_history() -> None:
    none = chart(
        eHistory=nil("eHistory.06", PN="8801013") + nil("eHistory.08", PN="8801015") + nil("eHistory.17", PN="8801015")
    )
    assert (none.episode.patient.allergies, none.episode.patient.conditions, none.episode.patient.substances) == (
        (),
        (),
        (),
    )
    unable = chart(eHistory=nil("eHistory.06", PN="8801023") + el("eHistory.18", "3118003"))
    assert state(unable.episode.patient.allergies) == "declined unable_to_obtain"
    assert unable.episode.patient.pregnant == NOT_COLLECTED


def test_age_from_the_date_of_birth_and_nothing_else_of_it() -> None:
    times = el("eTimes.07", at("18:00"))
    intake = chart(ePatient=el("ePatient.17", "1990-04-13"), eTimes=times)
    assert (intake.episode.patient.age.value, intake.episode.patient.age.unit) == (40, "a")
    assert codes(intake) == ["age-from-birth-date"]
    assert "1990" not in repr(intake)
    assert chart(ePatient=el("ePatient.17", "2030-05-12"), eTimes=times).episode.patient.age.unit == "mo"
    assert chart(ePatient=el("ePatient.17", "2032-05-12"), eTimes=times).episode.patient == MISSING


def test_hours_of_life() -> None:
    group = el("ePatient.AgeGroup", el("ePatient.15", "7"), el("ePatient.16", "2516003"))
    age = chart(ePatient=group).episode.patient.age
    assert (age.value, age.unit) == (0, "d")


def test_names_numbers_and_pictures_are_not_read() -> None:
    secrets = [f"canary{n}" for n in range(9)]
    intake = chart(
        ePatient=el("ePatient.PatientNameGroup", el("ePatient.02", secrets[0]))
        + el("ePatient.05", secrets[1])
        + el("ePatient.18", secrets[2]),
        eCrew=el("eCrew.CrewGroup", el("eCrew.01", secrets[3]), el("eCrew.02", "9925007")),
        eScene=el("eScene.ResponderGroup", el("eScene.02", secrets[4]), el("eScene.04", "2704009")),
        eOther=el("eOther.FileGroup", el("eOther.11", secrets[5]))
        + el("eOther.SignatureGroup", el("eOther.20", secrets[6])),
        eResponse=el("eResponse.03", secrets[7]),
        eRecord=el("eRecord.01", secrets[8]),
    )
    assert [s for s in secrets if s in repr(intake)] == []
    assert [p.id for p in intake.episode.team.members] == ["p1"]


def test_times_and_transfer_of_care() -> None:
    numbers = {"07": "18:00", "09": "18:20", "11": "18:40", "12": "18:50", "13": "19:30"}
    episode = chart(
        eTimes="".join(el(f"eTimes.{n}", at(clock)) for n, clock in numbers.items()),
        eDisposition=el("eDisposition.IncidentDispositionGroup", el("eDisposition.30", "4230001"))
        + el("eDisposition.14", "4214013"),
    ).episode
    assert [t.when.isoformat() for t in (episode.transport.at_patient, episode.transport.departed, episode.transport.arrived, episode.handover.time)] == [
        at("18:00"), at("18:20"), at("18:40"), at("18:50"),
    ]  # fmt: skip
    assert episode.transport.transported is True
    assert [(p.posture, p.start.when.isoformat(), p.end.when.isoformat()) for p in episode.postures] == [
        ("semi_fowler", at("18:20"), at("18:40"))
    ]


def test_back_in_service_is_no_transfer_of_care() -> None:
    assert chart(eTimes=el("eTimes.11", at("18:40")) + el("eTimes.13", at("19:30"))).episode.handover == MISSING
    passed_on = chart(eTimes=el("eTimes.08", at("18:41")) + nil("eTimes.12", NV="7701003"))
    assert passed_on.episode.handover.time.when.isoformat() == at("18:41")
    assert codes(passed_on) == ["handed-to-other-unit"]


def test_several_postures_have_no_order() -> None:
    postures = chart(eDisposition=el("eDisposition.14", "4214011") + el("eDisposition.14", "4214017")).episode.postures
    assert [(p.posture, p.start) for p in postures] == [("prone", NOT_COLLECTED), ("supine", NOT_COLLECTED)]


def test_several_postures_do_not_all_last_the_whole_journey() -> None:
    """Each would else read as prone, and as supine, from the departure to the arrival."""
    postures = chart(
        eTimes=el("eTimes.09", at("18:20")) + el("eTimes.11", at("18:40")),
        eDisposition=el("eDisposition.14", "4214011") + el("eDisposition.14", "4214017"),
    ).episode.postures
    assert [(p.posture, p.start, p.end) for p in postures] == [
        ("prone", NOT_COLLECTED, NOT_COLLECTED),
        ("supine", NOT_COLLECTED, NOT_COLLECTED),
    ]


def extremity(where: str, *found: str, pn: str = "") -> str:
    more = {"PN": pn} if pn else {}
    return el("eExam.ExtremityGroup", el("eExam.15", where), *(el("eExam.16", code, **more) for code in found))


def exam(*inside: str) -> str:
    return el("eExam.AssessmentGroup", el("eExam.03", at("18:10")), *inside)


def test_limb_checks() -> None:
    intake = chart(
        eExam=exam(
            extremity("3515093", "3516061", "3516069", "3516047"),
            extremity("3515003", "3516059", "3516085", "3516087", "3516043"),
            extremity("3515103", "3516051"),
            extremity("3515101", "3516049"),
            extremity("3515001", "3516059", pn="8801005"),
            extremity("3515005", "3516059"),  # upper arm: not beyond a restraint
            extremity("3515095", "3516033"),  # a fracture is no check
        )
    )
    told = [
        (c.side, c.site, *(state(v) if not isinstance(v, str) else v for v in (c.pulse, c.motor, c.skin, c.not_done)))
        for c in intake.episode.monitoring.limb_checks
    ]
    assert told == [
        ("left", "wrist", "present", "normal", "not_collected", "not_collected"),
        ("right", "ankle", "absent", "reduced", "blue", "not_collected"),
        ("right", "wrist", "not_collected", "not_collected", "not_collected", "other"),
        ("left", "wrist", "not_collected", "not_collected", "not_collected", "not_collected"),
        ("left", "ankle", "not_collected", "not_collected", "not_collected", "not_collected"),
    ]
    assert codes(intake) == ["negated-finding"]
    assert all(c.time.when.isoformat() == at("18:10") for c in intake.episode.monitoring.limb_checks)


def test_combative_before_and_after_the_start() -> None:
    groups = [
        el("eExam.AssessmentGroup", el("eExam.03", at(clock)), el("eExam.19", "3519001"))
        for clock in ("17:58", "18:30")
    ]
    negated = el("eExam.AssessmentGroup", el("eExam.03", at("17:50")), el("eExam.19", "3519001", PN="8801005"))
    assert [b.time.when.isoformat() for b in chart(eExam=[*groups, negated]).episode.decision.behaviours] == [
        at("17:58")
    ]


def test_effort_of_breathing_and_rhythm() -> None:
    rhythm = el("eVitals.CardiacRhythmGroup", el("eVitals.03", "9901047"), el("eVitals.03", "9901069"))
    monitoring = chart(
        eVitals=vital(rhythm, el("eVitals.15", "3315011"), el("eVitals.26", "3326005"))
    ).episode.monitoring
    assert [(c.breathing, c.time.when.isoformat()) for c in monitoring.breathing_checks] == [("shallow", at("18:05"))]
    assert (monitoring.vitals[0].rhythm, monitoring.vitals[0].acvpu) == ("vt", "pain")


def test_crew_law_enforcement_and_harm() -> None:
    episode = chart(
        eCrew=el("eCrew.CrewGroup", el("eCrew.01", "A1"), el("eCrew.02", "9925005"), el("eCrew.03", "2403003"))
        + el("eCrew.CrewGroup", el("eCrew.01", "A2"), el("eCrew.02", "9925007"), el("eCrew.03", "2403013")),
        eScene=el("eScene.ResponderGroup", el("eScene.04", "2704009")),
        eOther=el(
            "eOther.EMSCrewMemberGroup", el("eOther.04", "A1"), el("eOther.05", "9923003"), el("eOther.06", "4506011")
        )
        + el("eOther.08", "A2"),
        eProcedures=procedure("386423001", "18:00", el("eProcedures.07", "3907003"), el("eProcedures.07", "3907027")),
        eArrest=el("eArrest.01", "3001005") + el("eArrest.14", at("18:30")),
        eDisposition=el("eDisposition.19", "4219009"),
    ).episode
    assert (episode.team.highest_level, episode.transport.attendants, episode.chart.author_level) == (
        "paramedic",
        ("paramedic",),
        "paramedic",
    )
    assert episode.custody.law_enforcement_present is True
    assert [(i.person, i.kind) for i in episode.injuries.crew] == [("p1", "exposure")]
    assert ([c.complication for c in episode.injuries.complications], len(episode.injuries.patient)) == (["apnoea"], 1)
    assert [(e.event, e.before_care) for e in episode.monitoring.events] == [("apnoea", False), ("arrest", False)]
    assert episode.injuries.death.died is True


def test_what_the_standard_has_no_place_for_is_not_missing() -> None:
    episode = chart().episode
    assert episode.stretcher == NOT_COLLECTED
    assert episode.application.limbs == NOT_COLLECTED
    assert episode.monitoring == MISSING  # eVitals is required
    assert len(EVERY_NOT_CARRIED) == len(set(EVERY_NOT_CARRIED)) > 150


# ---------------------------------------------------------------- documents of several charts


def test_one_chart_is_wanted_and_the_batch_takes_more() -> None:
    first, second = pcr(), pcr(restraint=False, uuid="0b6c2f8e-1f43-4a7d-9f63-3b8d8b3c6d11")
    body = document(first, second, first)
    assert refused(body) == (422, "several-charts")
    found = read_each(body)
    assert [isinstance(f, Rejected) for f in found] == [False, True, False]
    assert isinstance(found[1], Rejected)
    assert found[1].code == "no-restraint"
    digests = {f.digest for f in found if not isinstance(f, Rejected)}
    assert len(digests) == 2
    assert "PatientCareReport[3]" in [f for f in found if not isinstance(f, Rejected)][1].places[""]


def test_one_chart_by_both_ways_is_the_same() -> None:
    body = document()
    (found,) = read_each(body)
    assert found == nemsis_reader.Reader().read(body)
    assert read(body).episode.episode_ref == "874e8004-ab36-47e9-9f10-747844b5edac"


def test_charts_under_several_headers() -> None:
    one = document().replace(b"</EMSDataSet>", document().split(b">", 1)[1])
    assert [f.places[""].count("Header[") for f in read_each(one) if not isinstance(f, Rejected)] == [1, 1]


def test_an_id_that_is_none_of_ours_is_not_kept() -> None:
    assert read(document(pcr(uuid="Jane Doe 1990"))).episode.episode_ref == "chart"
    intake = chart(eVitals=[vital(el("eVitals.12", "97"), CorrelationID=key) for key in ("v1", "v1", "a b")])
    assert [v.id if isinstance(v.id, str) else state(v.id) for v in intake.episode.monitoring.vitals] == [
        "v1",
        "missing",
        "missing",
    ]
    assert codes(intake) == ["duplicate-id"]
