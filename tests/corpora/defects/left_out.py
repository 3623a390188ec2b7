"""What a chart leaves out: sections, members, checks, spans of watching."""

from __future__ import annotations

from tests.corpora.defects.core import defect, first_dose, keep_checks, keep_vitals, long_journey, put
from tests.corpora.model import Document, Scene

for _section, _rule in (
    ("decision", "1001"), ("team", "1030"), ("stretcher", "1040"), ("postures", "1116"), ("handover", "1137"),
    ("injuries", "1138"), ("narrative", "1163"), ("chart", "1164"), ("reassessments", "1302"), ("custody", "1117"),
):  # fmt: skip
    put(f"no section {_section}", _rule, "posture postures" if _section == "postures" else _section, _section, None)
put("no section patient", "1002", "patient dose", "patient", None, "straps")
put("no section monitoring", "1301", "monitoring", "monitoring", None, "straps")
_NONE = {"absent": "declined", "reason": "not_indicated"}
put("vital signs charted as not taken", "1591", "monitoring vitals events dose", "monitoring/vitals", _NONE)
put("limbs charted as not checked", "1593", "monitoring limbs", "monitoring/limb_checks", _NONE)
put("no reason for restraint", "1003", "decision", "decision/reasons", None)
put("nothing of what the patient did", "1004", "decision", "decision/behaviours", [])
put("no capacity", "1005", "decision", "decision/capacity", None)
put("no alternatives", "1008", "decision", "decision/alternatives", None)
put("no causes looked for", "1009", "decision", "decision/causes", None)
put("no legal ground", "1013", "decision", "decision/authority", None)
put("medical direction left open", "1014", "decision", "decision/medical_direction", None, "straps")
put("no people", "1031", "team", "team/members", None, "straps")
put("no belts", "1043", "stretcher", "stretcher/belts", None)
put("stretcher not described", "1041", "stretcher", "stretcher/brakes", None)
put("no device types", "1053", "limbs", "application/limbs/*/device", None)
put("no times of straps", "1054", "limbs checks vitals", "application/limbs/*/on", None, "straps")
put("not charted who tied", "1056", "limbs", "application/limbs/*/applied_by", None)
put("no anchor or fit", "1057", "limbs", "application/limbs/*/anchor", None)
put("no cross-check", "1074", "application", "application/cross_check", None)
put("no holds", "1085", "application", "application/holds", None)
put("no limb checks list", "1303", "monitoring checks", "monitoring/limb_checks", [])
put("no movement or feeling", "1310", "checks", "monitoring/limb_checks/*/motor", None)
put("no observation", "1338", "observation", "monitoring/observation", None)
put("no amount", "1203", "dose", "sedation/doses/0/dose", None)
put("no unit", "1204", "dose", "sedation/doses/0/unit", None)
put("no route", "1206", "dose", "sedation/doses/0/route", None)
put("not charted who gave it", "1208", "dose", "sedation/doses/0/given_by", None)
put("no effect", "1209", "dose", "sedation/doses/0/effect", None)
put("no adverse effects", "1210", "dose", "sedation/doses/0/adverse_effects", None)
put("no order", "1211", "dose", "sedation/doses/0/ordered_by", None)
put("airway equipment left open", "1213", "dose", "sedation/airway_ready", None)
put("transfer without time", "1139", "handover", "handover/time", None)
put("restraint state left open", "1140", "handover", "handover/restraint_state", None)
put("limb status left open", "1141", "handover", "handover/limb_status", None)
put("receiver not in the chart", "1423", "handover", "handover/receiver_identified", False)
put("no acceptance", "1144", "handover", "handover/accepted", None)
put("facility not told", "1152", "transport", "transport/facility_told", None)
put("no time of first contact", "1153", "transport", "transport/at_patient", None)
put("no arrival", "1154", "transport checks", "transport/arrived", None)
put("death left open, injuries too", "1155", "injuries", "injuries/crew", None)


@defect("told: no restraint", "1146", "handover")
def _(document: Document, one: Scene) -> None:
    document["handover"]["told"].remove("restraint")


@defect("told: no sedation", "1147", "handover")
def _(document: Document, one: Scene) -> None:
    document["handover"]["told"].remove("sedation")


@defect("no pulse or refill", "1309", "checks", "straps")
def _(document: Document, one: Scene) -> None:
    for check in document["monitoring"]["limb_checks"]:
        del check["pulse"], check["cap_refill_s"], check["cap_refill_other_side"]


@defect("capnography never on", "1332", "vitals airway")
def _(document: Document, one: Scene) -> None:
    document["monitoring"]["capnography"] = []
    for vital in document["monitoring"]["vitals"]:
        vital.pop("etco2_mmhg"), vital.pop("etco2_waveform")


@defect("capnography with a hole", "1340", "capno")
def _(document: Document, one: Scene) -> None:
    document["monitoring"]["capnography"][0]["start"] = one.at(one.departed)


@defect("no glucose", "1010", "vitals")
def _(document: Document, one: Scene) -> None:
    del document["monitoring"]["vitals"][0]["glucose_mg_dl"]


@defect("no temperature", "1011", "vitals")
def _(document: Document, one: Scene) -> None:
    for vital in document["monitoring"]["vitals"]:
        del vital["temperature_c"]


@defect("one limb never checked", "1304", "checks", "straps")
def _(document: Document, one: Scene) -> None:
    keep_checks(document, lambda c: not (c["side"] == "left" and c["site"] == "ankle"))


@defect("first limb checks late", "1305", "checks", "straps")
def _(document: Document, one: Scene) -> None:
    keep_checks(document, lambda c: c["time"] > one.at(one.control + 7))
    for number, check in enumerate(list(document["monitoring"]["limb_checks"][:4])):
        document["monitoring"]["limb_checks"].append(check | {"id": f"cl{number}", "time": one.at(one.control + 9)})


@defect("limb checks too far apart", "1307", "checks", "straps")
def _(document: Document, one: Scene) -> None:
    long_journey(one)
    keep_checks(document, lambda c: c["time"] <= one.at(one.control + 1) or c["time"] > one.at(one.arrived - 1))


@defect("no limb check on arrival", "1308 ?1306", "checks", "straps")
def _(document: Document, one: Scene) -> None:
    last = one.arrived - 6
    keep_checks(document, lambda c: c["time"] < one.at(last))
    for number, check in enumerate(list(document["monitoring"]["limb_checks"][:4])):
        document["monitoring"]["limb_checks"].append(check | {"id": f"ca{number}", "time": one.at(last)})


@defect("vital signs too far apart, sedated", "1324", "vitals")
def _(document: Document, one: Scene) -> None:
    low, high = one.at(one.arrived - 10), one.at(one.arrived - 1)
    keep_vitals(document, lambda v: not low < v["time"] < high)


@defect("vital signs too far apart, not sedated", "1323", "vitals", "straps")
def _(document: Document, one: Scene) -> None:
    low, high = one.at(one.departed - 8), one.at(one.departed + 9)
    keep_vitals(document, lambda v: not low < v["time"] < high)


@defect(
    "no vital signs at all after the sedative",
    "1216 1331 1335 1217 1320 1010 1011 1012 1325 1326 1327",
    "monitoring vitals events",
)
def _(document: Document, one: Scene) -> None:
    document["monitoring"]["vitals"] = []
    document["monitoring"]["capnography"] = document["monitoring"]["oximetry"] = document["monitoring"]["ecg"] = []


@defect("no vital signs before transfer", "1326 ?1322 ?1323", "vitals", "straps")
def _(document: Document, one: Scene) -> None:
    keep_vitals(document, lambda v: v["time"] < one.at(one.handover - 11))


@defect("no agitation score", "1217 1327", "vitals")
def _(document: Document, one: Scene) -> None:
    for vital in document["monitoring"]["vitals"]:
        del vital["agitation_scale"], vital["agitation_score"]


@defect("no airway checks, no breathing rate", "1337 ?1325 ?1216", "airway vitals")
def _(document: Document, one: Scene) -> None:
    document["monitoring"].pop("breathing_checks", None)
    for vital in document["monitoring"]["vitals"]:
        vital.pop("rr", None)


@defect("no agitation score up to control", "1327", "vitals")
def _(document: Document, one: Scene) -> None:
    for vital in document["monitoring"]["vitals"]:
        if vital["time"] <= one.at(one.control):
            vital.pop("agitation_scale"), vital.pop("agitation_score")


@defect("no agitation score after the sedative", "1217", "vitals")
def _(document: Document, one: Scene) -> None:
    for vital in document["monitoring"]["vitals"]:
        if vital["time"] > one.at(one.dose_time):
            vital.pop("agitation_scale"), vital.pop("agitation_score")


@defect("no agitation score after control, not sedated", "1328", "vitals", "straps")
def _(document: Document, one: Scene) -> None:
    for vital in document["monitoring"]["vitals"]:
        if vital["time"] >= one.at(one.control):
            del vital["agitation_scale"], vital["agitation_score"]


@defect("oximetry with a hole", "1342", "oximetry")
def _(document: Document, one: Scene) -> None:
    document["monitoring"]["oximetry"][0]["start"] = one.at(one.departed)


@defect("observation with a hole", "1339", "observation")
def _(document: Document, one: Scene) -> None:
    span = document["monitoring"]["observation"][0]
    document["monitoring"]["observation"] = [
        span | {"end": one.at(one.departed)},
        span | {"id": "z2", "start": one.at(one.departed + 4)},
    ]


@defect("ECG never on", "1335", "vitals ecg")
def _(document: Document, one: Scene) -> None:
    document["monitoring"]["ecg"] = []
    for vital in document["monitoring"]["vitals"]:
        del vital["rhythm"]


@defect("antipsychotic without ECG", "1336", "vitals ecg dose")
def _(document: Document, one: Scene) -> None:
    first_dose(document, drug="haloperidol", dose=2, route="im")
    document["monitoring"]["ecg"] = []
    for vital in document["monitoring"]["vitals"]:
        del vital["rhythm"]


@defect("weight left out with ketamine", "1214", "patient dose")
def _(document: Document, one: Scene) -> None:
    first_dose(document, drug="ketamine", dose=100)
    del document["patient"]["weight_kg"], document["patient"]["weight_basis"]


@defect("a limb released with no reason", "1072", "limbs handover")
def _(document: Document, one: Scene) -> None:
    limb = document["application"]["limbs"][3]
    limb["off"] = one.at(one.arrived - 1)
    del limb["off_reason"]
    document["handover"]["restraint_state"] = "partly_removed"
    keep_checks(document, lambda c: c["time"] < one.at(one.arrived - 1) or (c["side"], c["site"]) != ("right", "ankle"))


put("time of the dose left out", "1207", "dose vitals events ecg", "sedation/doses/0/time", None)
put("reason for the dose left out", "1212", "dose", "sedation/doses/0/reason", None)


@defect("ketamine, how the weight was obtained left out", "1215", "patient dose")
def _(document: Document, one: Scene) -> None:
    document["patient"] = document["patient"] | {"weight_kg": 80, "age": {"value": 34, "unit": "a"}}
    document["patient"].pop("weight_basis", None)
    document["sedation"]["doses"] = [
        document["sedation"]["doses"][0] | {"drug": "ketamine", "dose": 80, "unit": "mg", "route": "im"}
    ]


put("capacity basis left out", "1006", "decision", "decision/capacity_basis", None)
put("explanation left out", "1007", "decision", "decision/explained", None)
put("conditions left out", "1019", "patient dose", "patient/conditions", None, "straps")
put("plan left open", "1037", "team", "team/plan_told", None)
put("level of a person left out", "1036", "team", "team/members/1/level", None)
put("which limbs left out", "1052", "limbs checks vitals handover application", "application/limbs", None, "straps")
put("skin at removal left out", "1073", "limbs", "application/limbs/*/skin_at_removal", None)
put("told left out", "1143", "handover", "handover/told", None)


@defect("no time at which restraint ended", "1145 ?1350", "handover limbs")
def _(document: Document, one: Scene) -> None:
    document["handover"].pop("removed_time", None)
    document["handover"]["restraint_state"] = "changed_to_hospital_devices"
    for strap in document["application"]["limbs"]:
        strap.pop("off", None)


put("officer's place left out", "1118", "custody", "custody/officer", None, "police")
put("key left out", "1119", "custody", "custody/key_at_hand", None, "police")
put("site of police cuffs left out", "1121", "custody", "custody/devices/0/site", None, "police")
put("police times left out", "1122", "custody", "custody/arrived", None, "police")
put("weapon left open", "1123", "custody", "custody/energy_weapon", None, "police")
put("search left out", "1128", "custody", "custody/search", None, "police")
