"""Two places that disagree, and what the narrative says."""

from __future__ import annotations

from tests.corpora.defects.core import defect, first_dose
from tests.corpora.model import Document, Scene


@defect("strap off before it was on", "1174 ?1176", "limbs checks", "straps")
def _(document: Document, one: Scene) -> None:
    document["application"]["limbs"][2]["off"] = one.at(one.started - 2)


@defect("two postures at once", "1177 ?1315", "posture")
def _(document: Document, one: Scene) -> None:
    second = document["postures"][1]
    document["postures"].append(
        second | {"id": "o9", "posture": "seated", "start": one.at(one.departed), "end": one.at(one.arrived)}
    )


@defect("arrival before departure", "1179", "transport checks")
def _(document: Document, one: Scene) -> None:
    document["transport"]["departed"] = one.at(one.arrived + 2)


@defect("dose by a stranger", "1186", "dose team")
def _(document: Document, one: Scene) -> None:
    first_dose(document, given_by="p77")


@defect("sedation told, none charted or thought of", "1187", "dose handover", "straps")
def _(document: Document, one: Scene) -> None:
    document["sedation"]["not_given"] = []
    document["handover"]["told"].append("sedation")


@defect("last limb at another time", "1191", "application")
def _(document: Document, one: Scene) -> None:
    document["application"]["completed"] = one.at(one.control + 6)


@defect("late change of a score", "1182", "chart")
def _(document: Document, one: Scene) -> None:
    document["chart"]["amendments"] = [
        {
            "id": "m1",
            "time": one.at(one.handover + 60),
            "path": "/monitoring/vitals/1/agitation_score",
            "reason": "correction",
        }
    ]


def _says(name: str, expected: str, text: str) -> None:
    @defect(f"narrative: {name}", expected, "narrative")
    def _(document: Document, one: Scene) -> None:
        document["narrative"] += " " + text


_says("outdated diagnosis", "1165", "Signs of excited delirium.")
_says("punishment", "1166", "Straps stayed on to teach him a lesson.")
_says("police purpose", "1167 ?1501", "Midazolam given at police request.")
_says("convenience", "1168", "Tied wrists for crew convenience.")
_says("weight on the back", "1169 1500", "A knee on his back held him down.")
_says("knots", "1170", "Left wrist was knotted to the frame.")
_says("rail", "1171 1500 1508", "Right wrist tied to the side rail.")
_says("within normal limits", "1172", "Vitals WNL on the way.")
_says("prone", "1183 1500", "For a time he lay prone on the stretcher.")
_says("breathing complaint", "1184 1500", "He called out that he cannot breathe.")
