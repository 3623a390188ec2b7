"""Drugs: who asked, how much, how often, for whom, with what else."""

from __future__ import annotations

from tests.corpora.defects.core import add_dose, defect, first_dose, put
from tests.corpora.model import Document, Scene


@defect("ordered by police", "1221", "dose")
def _(document: Document, one: Scene) -> None:
    first_dose(document, requested_by="law_enforcement")


@defect("for convenience", "1222", "dose")
def _(document: Document, one: Scene) -> None:
    first_dose(document, reason="convenience")


@defect("allergy", "1223", "patient dose")
def _(document: Document, one: Scene) -> None:
    document["patient"]["allergies"] = ["midazolam"]


@defect("midazolam 7 mg IM", "1239", "dose")
def _(document: Document, one: Scene) -> None:
    first_dose(document, dose=7)


@defect("midazolam 10 mg IM", "1263", "dose")
def _(document: Document, one: Scene) -> None:
    first_dose(document, dose=10)


@defect("midazolam 50 mg IM, a slip", "1265 1263 1264", "dose")
def _(document: Document, one: Scene) -> None:
    first_dose(document, dose=50)


@defect("ketamine 6 mg/kg", "1246", "dose")
def _(document: Document, one: Scene) -> None:
    document["patient"]["weight_kg"] = 60
    first_dose(document, drug="ketamine", dose=360)


@defect("ketamine 500 mg", "1241 1245", "patient dose")
def _(document: Document, one: Scene) -> None:
    document["patient"]["weight_kg"] = 105
    first_dose(document, drug="ketamine", dose=500)


@defect("ketamine 9 mg/kg", "1247 1241", "patient dose")
def _(document: Document, one: Scene) -> None:
    document["patient"]["weight_kg"] = 50
    first_dose(document, drug="ketamine", dose=450)


@defect("olanzapine with midazolam", "1224 1230", "dose")
def _(document: Document, one: Scene) -> None:
    add_dose(document, one, drug="olanzapine", dose=10)


@defect("haloperidol and droperidol", "1225 1230 1270", "dose")
def _(document: Document, one: Scene) -> None:
    first_dose(document, drug="haloperidol", dose=5)
    add_dose(document, one, drug="droperidol", dose=5)


@defect("three sedatives", "1231", "dose")
def _(document: Document, one: Scene) -> None:
    add_dose(document, one, drug="lorazepam", dose=2)
    add_dose(document, one, drug="ziprasidone", dose=10)


@defect("haloperidol IV", "1236", "dose")
def _(document: Document, one: Scene) -> None:
    first_dose(document, drug="haloperidol", dose=5, route="iv")


@defect("full dose with alcohol on board", "1229", "patient dose")
def _(document: Document, one: Scene) -> None:
    document["patient"]["substances"] = [{"id": "s1", "substance": "alcohol", "basis": "stated"}]


@defect("midazolam three times", "1250 1269", "dose")
def _(document: Document, one: Scene) -> None:
    for minute in (6, 12):
        add_dose(document, one, minute, drug="midazolam", dose=5)


@defect("midazolam again after 3 min", "1268", "dose")
def _(document: Document, one: Scene) -> None:
    first_dose(document, dose=2.5)
    add_dose(document, one, 3, drug="midazolam", dose=2.5)


@defect("full dose at 77", "1259", "patient dose")
def _(document: Document, one: Scene) -> None:
    document["patient"]["age"] = {"value": 77, "unit": "a"}


@defect("adult dose for a child of 20 kg", "1260", "patient dose decision team")
def _(document: Document, one: Scene) -> None:
    document["patient"] |= {"age": {"value": 6, "unit": "a"}, "weight_kg": 20}
    first_dose(document, dose=5)


@defect("airway equipment not at hand", "1237", "dose")
def _(document: Document, one: Scene) -> None:
    document["sedation"]["airway_ready"] = False


@defect("serious adverse effect", "1238", "dose")
def _(document: Document, one: Scene) -> None:
    first_dose(document, adverse_effects=["laryngospasm"])


@defect("the fight goes on", "1353 ?1202 ?1449", "vitals decision dose", "straps")
def _(document: Document, one: Scene) -> None:
    for vital in document["monitoring"]["vitals"]:
        vital["agitation_score"] = 3
    document["sedation"] = {"doses": [], "not_given": []}
    document["decision"]["medical_direction"] = {"contacted": False}


def _child(name: str, expected: str, age: int, weight: float, **dose: object) -> None:
    @defect(name, expected, "patient dose decision team vitals events")
    def _(document: Document, one: Scene) -> None:
        document["patient"] |= {"age": {"value": age, "unit": "a"}, "weight_kg": weight}
        first_dose(document, **dose)


_child("child of 6: midazolam 4 mg/kg, a slip", "1266 ?1262", 6, 20, dose=8, route="iv")
_child("child of 6: midazolam 0.25 mg/kg IV", "1262", 6, 20, dose=5, route="iv")
_child("child of 6: ketamine 6 mg/kg", "1272 1246 1248", 6, 20, drug="ketamine", dose=120)
_child("child of 6: ketamine 20 mg/kg, a slip", "1273 1248 1261 ?1265 1247 1272", 6, 20, drug="ketamine", dose=400)
_child("child of 6: diazepam 0.3 mg/kg IM", "1271", 6, 20, drug="diazepam", dose=5)
_child("ketamine at 14", "1249", 14, 55, drug="ketamine", dose=110)
_child("15 years: midazolam 6 mg", "1261", 15, 65, dose=6)


def _given(name: str, expected: str, *doses: tuple[int, float], drug: str, route: str = "im") -> None:
    @defect(name, expected, "dose patient")
    def _(document: Document, one: Scene) -> None:
        document["patient"]["weight_kg"] = 100
        first_dose(document, drug=drug, dose=doses[0][1], route=route)
        for minute, amount in doses[1:]:
            add_dose(document, one, minute, dose=amount)


_given("midazolam 20 mg", "1263 ?1264", (0, 20), drug="midazolam")
_given("midazolam by nose 12 mg", "1240 1250", (0, 12), drug="midazolam", route="in")
_given("midazolam 4 times 5 mg", "1264", (0, 5), (11, 5), (22, 5), (33, 5), drug="midazolam")
_given("midazolam 12 mg three times", "1267 1263 1264", (0, 12), (11, 12), (22, 12), drug="midazolam")
_given("ketamine IV 180 mg", "1245", (0, 180), drug="ketamine", route="iv")
_given("ketamine IV 220 mg", "1242 1246", (0, 220), drug="ketamine", route="iv")
_given("ketamine 300 mg twice", "1251", (0, 300), (10, 300), drug="ketamine")
_given("lorazepam 2 mg three times", "1252", (0, 2), (11, 2), (22, 2), drug="lorazepam")
_given("diazepam 5 mg five times", "1253", (0, 5), (10, 5), (20, 5), (30, 5), (40, 5), drug="diazepam", route="iv")
_given("haloperidol 5 mg three times", "1254", (0, 5), (11, 5), (22, 5), drug="haloperidol")
_given("droperidol 5 mg three times", "1255 1270", (0, 5), (11, 5), (22, 5), drug="droperidol")
_given("olanzapine 12 mg", "1243", (0, 12), drug="olanzapine")
_given("ziprasidone 20 mg three times", "1257 1268", (0, 20), (11, 20), (22, 20), drug="ziprasidone")
_given("diphenhydramine 60 mg beside a sedative", "1244", (0, 60), drug="diphenhydramine")


@defect("droperidol with long QT", "1226", "dose patient")
def _(document: Document, one: Scene) -> None:
    document["patient"]["conditions"] = ["long_qt"]
    first_dose(document, drug="droperidol", dose=2.5)


@defect("haloperidol with seizures", "1227", "dose patient")
def _(document: Document, one: Scene) -> None:
    document["patient"]["conditions"] = ["seizure_disorder"]
    first_dose(document, drug="haloperidol", dose=5)


@defect("ketamine with heart disease", "1228", "dose patient")
def _(document: Document, one: Scene) -> None:
    document["patient"] |= {"conditions": ["coronary_disease"], "weight_kg": 90}
    first_dose(document, drug="ketamine", dose=180)


@defect("lorazepam with sleep apnea", "1233", "dose patient")
def _(document: Document, one: Scene) -> None:
    document["patient"]["conditions"] = ["sleep_apnoea"]
    first_dose(document, drug="lorazepam", dose=2)


@defect("haloperidol in one syringe with diphenhydramine", "1232", "dose")
def _(document: Document, one: Scene) -> None:
    first_dose(document, drug="haloperidol", dose=5, mixed_with=["diphenhydramine"])


put("dose in mL", "1205", "dose", "sedation/doses/0/unit", "mL")
