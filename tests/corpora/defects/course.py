"""How the patient did: readings and events, with and without an answer."""

from __future__ import annotations

from tests.corpora.defects.core import add_dose, defect, face_cover, first_dose, keep_vitals, put, worse
from tests.corpora.model import Document, Scene


def _reading(name: str, expected: str, **values: object) -> None:
    # The doses of these records are charted without an adverse effect; a low reading soon after one speaks against that.
    @defect(name, f"{expected} ?1565", "vitals events")
    def _(document: Document, one: Scene) -> None:
        worse(document, one, **values)


_reading("SpO2 85", "1360 1463", spo2=85)
_reading("SpO2 92", "1362 1463", spo2=92)
_reading("SpO2 70", "1360 1364 1463", spo2=70)
_reading("breathing rate 6", "1367 1463", rr=6)
_reading("breathing rate 10", "1371 1463", rr=10)
_reading("EtCO2 55", "1375 1463", etco2_mmhg=55)
_reading("asystole on the monitor", "1410 1460 ?1148", rhythm="asystole")


@defect("EtCO2 up from 36 to 48", "1376 ?1378 1463", "vitals events")
def _(document: Document, one: Scene) -> None:
    for vital in document["monitoring"]["vitals"]:
        if isinstance(vital.get("etco2_mmhg"), (int, float)):
            vital["etco2_mmhg"] = 36
    worse(document, one, etco2_mmhg=48)


_reading("EtCO2 28", "1379", etco2_mmhg=28)
_reading("waveform lost", "1377 1463", etco2_waveform="lost")
_reading("pressure 80", "1382 1464", sbp=80, dbp=50)
_reading("heart rate 38", "1387 1464", hr=38)
_reading("glucose 45", "1388 1466 ?1476", glucose_mg_dl=45)
_reading("glucose 65", "1389 1466 ?1476", glucose_mg_dl=65)
_reading("temperature 40.5", "1391 1467", temperature_c=40.5)
_reading("temperature 38.8", "1392 1467", temperature_c=38.8)
_reading("temperature 34", "1394 1467", temperature_c=34.0)
_reading("GCS total off by one", "1173", gcs_total=14)


@defect("SpO2 85, oxygen given, no recheck", "1395 ?1565", "vitals events")
def _(document: Document, one: Scene) -> None:
    time = worse(document, one, spo2=85)
    document["monitoring"]["actions"].append({"id": "t1", "action": "oxygen_given", "time": time})
    low, high = time, one.at(one.arrived + 3)
    for vital in document["monitoring"]["vitals"]:
        if low < vital["time"] < high:
            vital.pop("spo2")


@defect("SpO2 78, oxygen given, and no value after it", "1590 1395 ?1565", "vitals events")
def _(document: Document, one: Scene) -> None:
    time = worse(document, one, spo2=78)
    document["monitoring"]["actions"].append({"id": "t1", "action": "oxygen_given", "time": time})
    for vital in document["monitoring"]["vitals"]:
        if vital["time"] > time:
            vital.pop("spo2")


@defect("coma score 6 at the end", "1592 ?1173 ?1355 ?1465 ?1474 ?1397", "vitals events")
def _(document: Document, one: Scene) -> None:
    document["monitoring"]["vitals"][-1]["gcs_total"] = 6


@defect("SpO2 85, answered and rechecked", "1365 ?1565", "vitals events")
def _(document: Document, one: Scene) -> None:
    time = worse(document, one, spo2=85)
    document["monitoring"]["actions"].append({"id": "t1", "action": "oxygen_given", "time": time})


@defect("deep sedation and nobody at the airway", "1354 1465 ?1348 ?1469 ?1453", "vitals events airway capno")
def _(document: Document, one: Scene) -> None:
    worse(document, one, agitation_score=-5, acvpu="pain", gcs_eye=2, gcs_verbal=2, gcs_motor=5, gcs_total=9)
    document["monitoring"]["breathing_checks"] = document["monitoring"]["breathing_checks"][:1]


@defect("heart rate stays at 140", "1385 1397 1398", "vitals events")
def _(document: Document, one: Scene) -> None:
    for vital in document["monitoring"]["vitals"]:
        if vital["time"] >= one.at(one.control + 3):
            vital["hr"] = 140


def _event(name: str, expected: str, event: str, **more: object) -> None:
    @defect(name, f"{expected} ?1306 ?1307 ?1324", "vitals events checks airway capno")
    def _(document: Document, one: Scene) -> None:
        """In the middle of a stretch with no look at the patient."""
        minute = one.arrived - 8
        window = (one.at(minute - 1), one.at(minute + (8 if event == "limb_complaint" else 4)))
        for listed in ("breathing_checks", "limb_checks"):
            document["monitoring"][listed] = [
                c for c in document["monitoring"][listed] if not window[0] < c["time"] < window[1]
            ]
        keep_vitals(document, lambda v: not window[0] < v["time"] < window[1])
        document["monitoring"]["events"].append(
            {"id": "u1", "event": event, "time": one.at(minute), "before_care": False, **more}
        )


_event("suddenly quiet", "1345 1470", "suddenly_quiet")
_event("breathing complaint", "1346 1470", "breathing_complaint")
_event("limb complaint, no check", "1315", "limb_complaint", side="left", site="wrist")
_event("left unattended", "1351", "left_unattended")
_event("apnea with nothing done", "1349 1352 1463 ?1565", "apnoea")


@defect("vomiting under a spit sock", "1347 ?1348 1469 ?1563", "custody events vitals")
def _(document: Document, one: Scene) -> None:
    face_cover(document, one, "spit_sock")
    document["monitoring"]["events"].append(
        {"id": "u1", "event": "vomiting", "time": one.at(one.departed + 3), "before_care": False}
    )


@defect("vomiting tied supine", "1348 1469", "posture events vitals")
def _(document: Document, one: Scene) -> None:
    document["postures"][1] |= {"posture": "supine"}
    document["monitoring"]["events"].append(
        {"id": "u1", "event": "vomiting", "time": one.at(one.departed + 3), "before_care": False}
    )


@defect("no pulse beyond the strap", "1311 1468", "checks events")
def _(document: Document, one: Scene) -> None:
    document["monitoring"]["limb_checks"][4]["pulse"] = "absent"


@defect("refill of 2.5 s", "1314 1468", "checks events")
def _(document: Document, one: Scene) -> None:
    document["monitoring"]["limb_checks"][4]["cap_refill_s"] = 2.5


@defect("injury during restraint, not told", "1149 1157", "injuries handover")
def _(document: Document, one: Scene) -> None:
    document["injuries"]["patient"] = [{"id": "i1", "kind": "bruise", "when": "during_restraint"}]
    document["handover"]["told"].remove("injuries")


@defect("same values three times", "1198", "vitals")
def _(document: Document, one: Scene) -> None:
    sets = document["monitoring"]["vitals"]
    for vital in sets[-4:-1]:
        vital |= {name: sets[-4][name] for name in ("hr", "rr", "spo2", "sbp", "dbp", "etco2_mmhg")}


@defect(
    "arrest while strapped, release not charted",
    "1350 1352 ?1148 ?1349 ?1324 ?1345 1460",
    "vitals events limbs handover",
    "straps",
)
def _(document: Document, one: Scene) -> None:
    document["monitoring"]["events"].append(
        {"id": "u1", "event": "arrest", "time": one.at(one.departed + 3), "before_care": False}
    )
    document["monitoring"]["actions"].append({"id": "t1", "action": "cpr", "time": one.at(one.departed + 3)})
    document["monitoring"]["actions"].append({"id": "t2", "action": "ventilated", "time": one.at(one.departed + 3)})
    for limb in document["application"]["limbs"]:
        del limb["off"], limb["off_reason"], limb["skin_at_removal"]
    document["handover"]["restraint_state"] = "on"
    del document["handover"]["removed_time"]


@defect(
    "arrest, and the straps off much later",
    "1589 1460 1352 ?1148 ?1349 ?1324 ?1345 ?1176",
    "vitals events limbs handover",
    "straps",
)
def _(document: Document, one: Scene) -> None:
    time = one.at(one.departed + 1)
    document["monitoring"]["events"].append({"id": "u1", "event": "arrest", "time": time, "before_care": False})
    document["monitoring"]["actions"].append({"id": "t1", "action": "cpr", "time": time})
    document["monitoring"]["actions"].append({"id": "t2", "action": "ventilated", "time": time})
    for limb in document["application"]["limbs"]:
        limb["off"] = one.at(one.departed + 9)
    document["handover"]["removed_time"] = one.at(one.departed + 9)


@defect("death, hospital not told", "1158 1424", "injuries")
def _(document: Document, one: Scene) -> None:
    document["injuries"]["death"] = {"died": True, "time": one.at(one.handover), "hospital_told": False}


@defect("GCS 6 and nobody at the airway", "1355 1465 ?1474", "vitals events airway capno")
def _(document: Document, one: Scene) -> None:
    worse(document, one, gcs_eye=1, gcs_verbal=1, gcs_motor=4, gcs_total=6)
    document["monitoring"]["breathing_checks"] = document["monitoring"]["breathing_checks"][:1]


_reading("pressure 55", "1366 1464", sbp=55, dbp=30)


@defect("death, hospital told", "1158", "injuries")
def _(document: Document, one: Scene) -> None:
    document["injuries"]["death"] = {"died": True, "time": one.at(one.handover), "hospital_told": True}


@defect("EtCO2 47 from 40", "1378", "vitals events")
def _(document: Document, one: Scene) -> None:
    for vital in document["monitoring"]["vitals"]:
        if vital["time"] >= one.at(one.control):
            vital["etco2_mmhg"] = 40
    worse(document, one, etco2_mmhg=47)


@defect("glucose 320, not told", "1151", "vitals events handover")
def _(document: Document, one: Scene) -> None:
    worse(document, one, glucose_mg_dl=320)
    document["handover"]["told"].remove("glucose")


@defect("target of 88 to 92, SpO2 82", "1361 1463 ?1565", "patient vitals events")
def _(document: Document, one: Scene) -> None:
    document["patient"] |= {"oxygen_target": "88-92", "conditions": ["copd"]}
    for vital in document["monitoring"]["vitals"]:
        vital["spo2"] = 90
    worse(document, one, spo2=82)


@defect("target of 88 to 92, SpO2 86", "1363 1463 ?1565", "patient vitals events")
def _(document: Document, one: Scene) -> None:
    document["patient"] |= {"oxygen_target": "88-92", "conditions": ["copd"]}
    for vital in document["monitoring"]["vitals"]:
        vital["spo2"] = 90
    worse(document, one, spo2=86)


def _child_reading(name: str, expected: str, age: int, **values: object) -> None:
    @defect(name, expected, "patient dose decision team vitals events", "straps")
    def _(document: Document, one: Scene) -> None:
        document["patient"] |= {"age": {"value": age, "unit": "a"}, "weight_kg": 60 if age > 12 else 30}
        for vital in document["monitoring"]["vitals"]:
            vital["rr"] = max(18, vital["rr"])
        worse(document, one, **values)


_child_reading("14 years: breathing rate 10", "1368 1463", 14, rr=10)
_child_reading("8 years: breathing rate 13", "1369 1463", 8, rr=13)
_child_reading("8 years: pressure 80", "1383 1464", 8, sbp=80, dbp=50)


@defect("infant: breathing rate 17", "1370 1463", "patient dose decision team vitals events", "straps")
def _(document: Document, one: Scene) -> None:
    document["patient"] |= {"age": {"value": 8, "unit": "mo"}, "weight_kg": 8}
    for vital in document["monitoring"]["vitals"]:
        vital["rr"] = 34
    worse(document, one, rr=17)


@defect("midazolam again at a pressure of 95", "1235 ?1229 ?1447", "dose vitals events")
def _(document: Document, one: Scene) -> None:
    first_dose(document, dose=2.5)
    add_dose(document, one, 11, dose=2.5)
    for vital in document["monitoring"]["vitals"]:
        if vital["time"] >= one.at(one.control):
            vital |= {"sbp": 95, "dbp": 60, "hr": 80}


@defect("head elevation left out", "1115", "posture")
def _(document: Document, one: Scene) -> None:
    document["postures"][1]["posture"] = "semi_fowler"
    del document["postures"][1]["head_elevation_deg"]


put("attendant in the front", "1344 ?1451", "observation", "monitoring/observation/0/seat", "front_cab")
put("arrested and cuffed, no officer", "1120 1133", "custody handover checks", "custody/officer", "none", "police")


@defect("hip belt missing", "1402", "stretcher")
def _(document: Document, one: Scene) -> None:
    document["stretcher"]["belts"] = [b for b in document["stretcher"]["belts"] if b["place"] != "hips"]


@defect("low score at the start", "1406 ?1217", "vitals events")
def _(document: Document, one: Scene) -> None:
    for vital in document["monitoring"]["vitals"]:
        if vital["time"] < one.at(one.control):
            vital["agitation_score"] = 1


@defect("a limb with poor flow, loosened, not checked again", "1312 ?1307 ?1306", "checks events", "straps")
def _(document: Document, one: Scene) -> None:
    check = document["monitoring"]["limb_checks"][4]
    check["pulse"] = "absent"
    document["monitoring"]["actions"].append(
        {"id": "t1", "action": "loosened", "time": check["time"], "side": check["side"], "site": check["site"]}
    )


@defect("not transported, and times of a journey", "1188", "transport checks stretcher posture")
def _(document: Document, one: Scene) -> None:
    document["transport"]["transported"] = False


@defect("span of oximetry backwards", "1178", "oximetry")
def _(document: Document, one: Scene) -> None:
    document["monitoring"]["oximetry"].append({"id": "x2", "start": one.at(one.arrived), "end": one.at(one.departed)})


@defect("restraints told on, straps off", "1190", "handover limbs")
def _(document: Document, one: Scene) -> None:
    for limb in document["application"]["limbs"]:
        limb["off"] = one.at(one.handover - 3)
    document["handover"]["restraint_state"] = "on"


@defect(
    "strap put on before contact",
    "1180 ?1305 ?1306 ?1307 ?1322 ?1323 ?1339 ?1341 ?1342",
    "limbs checks vitals observation capno oximetry",
    "straps",
)
def _(document: Document, one: Scene) -> None:
    document["application"]["limbs"][0]["on"] = one.at(one.contact - 3)


@defect("entries written an hour late", "1197", "airway")
def _(document: Document, one: Scene) -> None:
    for check in document["monitoring"]["breathing_checks"]:
        check["entered"] = one.at(one.handover + 60)
