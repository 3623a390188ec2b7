"""What is charted in plain words and was read by no rule of release 0.1.0: limbs, breathing, rhythm, people, drugs."""

from __future__ import annotations

from tests.corpora.defects.core import add_dose, defect, face_cover, first_dose, police_there, put, worse
from tests.corpora.model import Document, Scene

_LOOKED = ("pulse", "cap_refill_s", "cap_refill_other_side", "motor", "sensation", "skin")


@defect("no movement in one limb to the end", "1420 ?1429 ?1315", "limb_checks", "straps")
def _(document: Document, one: Scene) -> None:
    first = document["monitoring"]["limb_checks"][0]
    for check in document["monitoring"]["limb_checks"]:
        if (check["side"], check["site"]) == (first["side"], first["site"]):
            check |= {"motor": "absent"}


@defect("last check without pulse, told as normal", "1429 1311 1468", "limb_checks handover", "straps")
def _(document: Document, one: Scene) -> None:
    last = max(document["monitoring"]["limb_checks"], key=lambda check: check["time"])
    last |= {"pulse": "absent"}
    document["handover"] |= {"limb_status": "normal"}


@defect("every limb check charted as not done", "1430", "limb_checks application", "straps")
def _(document: Document, one: Scene) -> None:
    for check in document["monitoring"]["limb_checks"]:
        for member in _LOOKED:
            check.pop(member, None)
        check["not_done"] = "no_access"


put("labored breathing", "1433 ?1434", "airway", "monitoring/breathing_checks/1/breathing", "laboured")


@defect("ventricular tachycardia", "1437", "vitals events")
def _(document: Document, one: Scene) -> None:
    worse(document, one, rhythm="vt")


@defect("droperidol and a QTc of 540", "1439 ?1226 ?1225 ?1335 ?1336 ?1270 ?1332", "dose vitals events")
def _(document: Document, one: Scene) -> None:
    first_dose(document, drug="droperidol", dose=5, unit="mg", route="im")
    worse(document, one, qtc_ms=540)


@defect("arrest among the complications", "1441 ?1148 ?1155", "injuries")
def _(document: Document, one: Scene) -> None:
    document["injuries"] = {
        "patient": [],
        "crew": [],
        "complications": [{"id": "x9", "complication": "cardiac_arrest"}],
    }


put("nobody with the patient on the way", "1444", "transport", "transport/attendants", [])
put("handed to law enforcement after a sedative", "1446", "handover", "handover/receiver_role", "law_enforcement")


@defect("head injury and a coma score of 7", "1448 ?1355 ?1347 ?1401 ?1474", "vitals events causes")
def _(document: Document, one: Scene) -> None:
    for cause in document["decision"]["causes"]:
        if cause["cause"] == "head_injury":
            cause["result"] = "found"
    worse(document, one, gcs_total=7, gcs_eye=1, gcs_verbal=2, gcs_motor=4)


put("front cab for the whole journey", "1451 ?1344", "observation", "monitoring/observation/*/seat", "front_cab")


@defect(
    "midazolam again at RASS -3", "1453 ?1268 ?1269 ?1250 ?1258 ?1217 ?1216 ?1235 ?1267 ?1264", "dose vitals events"
)
def _(document: Document, one: Scene) -> None:
    time = worse(document, one, agitation_scale="rass", agitation_score=-3)
    first_dose(document, drug="midazolam", dose=2.5, unit="mg", route="im")
    add_dose(document, one, dose=2.5, time=time)


@defect("child of 7, haloperidol 10 mg", "1455 ?1219 ?1229 ?1336", "patient dose")
def _(document: Document, one: Scene) -> None:
    document["patient"] |= {"age": {"value": 7, "unit": "a"}, "weight_kg": 24}
    first_dose(document, drug="haloperidol", dose=10, unit="mg", route="im")


@defect("cloth over the face", "1457 1563", "custody")
def _(document: Document, one: Scene) -> None:
    face_cover(document, one, "cloth")


@defect("a locked device of the hospital and no key", "1458 ?1134", "application custody", "straps")
def _(document: Document, one: Scene) -> None:
    document["application"]["limbs"][0] |= {"device": "key_locked", "applied_by": "hospital"}
    if "none" in document["custody"]:
        police_there(document, one)
    document["custody"]["key_at_hand"] = False
