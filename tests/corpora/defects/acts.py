"""What was done that protocols forbid or advise against, drugs apart: postures, weight, belts, straps, people, police."""

from __future__ import annotations

from tests.corpora.defects.core import defect, face_cover, keep_checks, police_there, put
from tests.corpora.model import Document, Scene


@defect("placed prone", "1101 ?1516", "posture")
def _(document: Document, one: Scene) -> None:
    document["postures"][1] |= {"posture": "prone", "head_elevation_deg": 0}


@defect("hobbled", "1102", "posture")
def _(document: Document, one: Scene) -> None:
    document["postures"][1] |= {"posture": "hobbled"}


@defect("sandwiched", "1103", "posture")
def _(document: Document, one: Scene) -> None:
    document["postures"][1] |= {"posture": "sandwiched"}


@defect("found prone and left so", "1104", "posture application")
def _(document: Document, one: Scene) -> None:
    document["postures"][0] |= {"posture": "prone", "end": one.at(one.contact + 4)}
    document["postures"].insert(
        1,
        {
            "id": "o9",
            "posture": "seated",
            "start": one.at(one.contact + 4),
            "end": one.at(one.started),
            "care": "this_unit",
        },
    )


@defect("hands behind the back on the stretcher", "1107", "posture")
def _(document: Document, one: Scene) -> None:
    document["postures"][1]["arms_behind_back"] = True


@defect("flat supine in late pregnancy", "1113 ?1114 ?1484", "patient posture")
def _(document: Document, one: Scene) -> None:
    document["patient"] |= {"pregnant": True, "gestation_weeks": 30, "sex": "female", "age": {"value": 29, "unit": "a"}}
    document["postures"][1] |= {"posture": "supine", "head_elevation_deg": 0}
    del document["postures"][1]["reason"]


@defect("head not raised in transport", "1114", "posture")
def _(document: Document, one: Scene) -> None:
    document["postures"][1] |= {"posture": "supine", "head_elevation_deg": 10}
    del document["postures"][1]["reason"]


@defect("no posture while restrained", "1405", "posture")
def _(document: Document, one: Scene) -> None:
    document["postures"] = [document["postures"][0] | {"end": one.at(one.started - 1)}]


@defect("weight on the chest", "1079", "application")
def _(document: Document, one: Scene) -> None:
    document["application"]["body_weight"] = [
        {
            "id": "w1",
            "place": "chest",
            "start": one.at(one.started),
            "end": one.at(one.started + 2),
            "by": "fire",
            "care": "this_unit",
        }
    ]


@defect("weight on the belly", "1083", "application")
def _(document: Document, one: Scene) -> None:
    document["application"]["body_weight"] = [
        {
            "id": "w1",
            "place": "abdomen",
            "start": one.at(one.started),
            "end": one.at(one.started + 2),
            "by": "ems",
            "care": "this_unit",
        }
    ]


@defect("weight found on the back and not lifted", "1082", "application")
def _(document: Document, one: Scene) -> None:
    document["application"]["body_weight"] = [
        {
            "id": "w1",
            "place": "back",
            "start": one.at(0),
            "end": one.at(one.contact + 5),
            "by": "bystander",
            "care": "found_at_contact",
        }
    ]


put("belt presses on the shoulders", "1046", "stretcher", "stretcher/belts/2/chest_free", False)


@defect("belt on the chest, not said whether it is free", "1047", "stretcher")
def _(document: Document, one: Scene) -> None:
    document["stretcher"]["belts"][2]["place"] = "chest"
    del document["stretcher"]["belts"][2]["chest_free"]


put("transported with no belts", "1044", "stretcher", "stretcher/belts", [])
put("no shoulder harness", "1045", "stretcher", "stretcher/torso_harness", "not_used")
put("buckle within reach", "1048", "stretcher", "stretcher/belts/0/buckle_reach", "within_reach")
put("stretcher not ready", "1042", "stretcher", "stretcher/brakes", "off")
put("tied to the rail", "1058", "limbs", "application/limbs/0/anchor", "side_rail")
put("tied to another limb", "1059", "limbs", "application/limbs/0/anchor", "other_limb")
put("ankle tied to another limb", "1461", "limbs", "application/limbs/2/anchor", "other_limb")
put("gauze", "1060", "limbs", "application/limbs/*/device", "gauze")
put("key-locked device by the crew", "1061", "limbs", "application/limbs/*/device", "key_locked")
put("several knots", "1062", "limbs", "application/limbs/2/fastening", "several_knots")
put("knot", "1063", "limbs", "application/limbs/2/fastening", "knot")
put("joint past its range", "1067", "limbs", "application/limbs/2/joint_range", "past_normal")
put("cuff too tight", "1068", "limbs", "application/limbs/2/fit", "too_tight")
put("limb can strike", "1069", "limbs", "application/limbs/2/movement", "can_strike_or_kick")


@defect("arm behind the back on the stretcher", "1065", "limbs")
def _(document: Document, one: Scene) -> None:
    document["application"]["limbs"][0]["limb_position"] = "behind_back"


@defect("one limb only", "1070", "limbs checks application", "straps")
def _(document: Document, one: Scene) -> None:
    document["application"]["limbs"] = document["application"]["limbs"][1:2]
    document["application"]["sequence"] = ["left_arm"]
    document["application"]["completed"] = document["application"]["limbs"][0]["on"]
    keep_checks(document, lambda c: (c["side"], c["site"]) == ("left", "wrist"))


@defect("head let go first", "1075", "application")
def _(document: Document, one: Scene) -> None:
    document["application"]["head_released"] = one.at(one.secured[1])


@defect("last limb secured on the way", "1076", "transport")
def _(document: Document, one: Scene) -> None:
    document["transport"]["departed"] = one.at(one.secured[2])


@defect("three people", "1032 1035", "team")
def _(document: Document, one: Scene) -> None:
    document["team"]["members"] = document["team"]["members"][:3]


@defect("four people", "1033 1035", "team")
def _(document: Document, one: Scene) -> None:
    document["team"]["members"] = document["team"]["members"][:4]


@defect("takedown by untrained crew", "1038", "team")
def _(document: Document, one: Scene) -> None:
    document["team"]["takedown"] = {"done": True, "by": "ems_not_trained", "time": one.at(one.started)}


put("punishment as a reason", "1018", "decision", "decision/reasons", ["punishment"])
put("capacity present", "1017 ?1482", "decision", "decision/capacity", "present")


@defect("capacity present and no ground", "1016 ?1482", "decision")
def _(document: Document, one: Scene) -> None:
    document["decision"] |= {
        "capacity": "present",
        "danger_to": ["self"],
        "authority": "none",
        "reasons": ["allow_emergency_care"],
    }


@defect("medical direction advised against", "1015 1569", "decision")
def _(document: Document, one: Scene) -> None:
    document["decision"]["medical_direction"]["outcome"] = "advised_against"


@defect("a guardian refused, and no ground", "1568", "patient decision", "straps")
def _(document: Document, one: Scene) -> None:
    document["patient"] |= {"age": {"value": 12, "unit": "a"}, "weight_kg": 45}
    document["decision"] |= {"guardian_answer": "refused", "authority": "none"}


@defect("stroke not looked for", "1401", "decision")
def _(document: Document, one: Scene) -> None:
    document["decision"]["causes"] = [c for c in document["decision"]["causes"] if c["cause"] != "stroke"]


@defect("police cuffs with no officer", "1133", "custody", "police")
def _(document: Document, one: Scene) -> None:
    document["custody"] |= {"officer": "following"}


@defect("police cuffs with no key", "1134", "custody", "police")
def _(document: Document, one: Scene) -> None:
    document["custody"]["key_at_hand"] = False


@defect("police cuffs behind the back on the way", "1109 1192", "custody", "police")
def _(document: Document, one: Scene) -> None:
    document["custody"]["devices"][0]["site"] = "wrists_behind_back"


@defect("police hobble on the way", "1112", "custody checks", "police")
def _(document: Document, one: Scene) -> None:
    cuffs = document["custody"]["devices"][0]
    document["custody"]["devices"].append(cuffs | {"id": "j2", "device": "hobble", "site": "ankles"})
    for number, check in enumerate(list(document["monitoring"]["limb_checks"])):
        document["monitoring"]["limb_checks"].append(check | {"id": f"ch{number}", "site": "ankle"})


@defect("N95 on the face", "1129 ?1563", "custody")
def _(document: Document, one: Scene) -> None:
    face_cover(document, one, "n95")


@defect("non-rebreather without oxygen", "1130 ?1563", "custody")
def _(document: Document, one: Scene) -> None:
    face_cover(document, one, "non_rebreather", oxygen_l_min=0)


@defect("energy weapon, five cycles, not told", "1403", "custody handover")
def _(document: Document, one: Scene) -> None:
    police_there(document, one)
    document["custody"]["energy_weapon"] = {
        "used": True,
        "cycles": 5,
        "weapons": 1,
        "longest_cycle_s": 5,
        "probes": "left_in_place",
        "probe_site": "trunk",
    }


@defect("spray, asthma, short watch, not told", "1404 1135", "custody patient handover")
def _(document: Document, one: Scene) -> None:
    police_there(document, one)
    document["patient"]["conditions"] = ["asthma"]
    document["custody"]["irritant"] = {"used": True, "time": one.at(one.handover - 15), "cleaned": True}
