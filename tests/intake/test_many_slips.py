"""Many slips of one kind are told once with a count, help is bounded, and nothing that was sent is repeated."""

from __future__ import annotations

from typing import Any

import orjson
import pytest

from service.intake import episode_json
from service.intake.not_collected import PATHS
from service.problems import Rejected
from tests.support.cost import cpu_at_most
from tests.support.episodes import small

CANARY = "canary-7391"
MANY = 700_000
BODIES: dict[str, Any] = {
    "one object": {f"x{number}": 1 for number in range(MANY)},
    "items of a list": {
        "monitoring": {"vitals": [{f"sp{400 * item + n}": 1 for n in range(400)} for item in range(MANY // 400)]}
    },
    "names of ours": {"patient": {f"spo{number}": 1 for number in range(MANY)} | {"spo2": 1}},
    "paths": {"not_collected": [f"/monitorin/vital/*/spp{number}" for number in range(2000)]},
}


def refused(body: bytes) -> Rejected:
    with pytest.raises(Rejected) as caught:
        episode_json.read(body)
    return caught.value


@pytest.mark.parametrize("name", BODIES)
def test_many_slips_are_answered_in_time(name: str) -> None:
    body = orjson.dumps(small(**BODIES[name]))
    with cpu_at_most(1.5):
        errors = refused(body).errors
    assert len(errors) < 10
    assert sum(item.count for item in errors) >= 2000


@pytest.mark.parametrize(
    ("sent", "nearest"),
    [
        ("/stretcher/hight", "/stretcher/height"),
        ("stretcher.height", "/stretcher/height"),
        ("/monitoring/vitals/0/spo2", "/monitoring/vitals/*/spo2"),
        ("/application/limbs/anchor", "/application/limbs/*/anchor"),
        ("/limb/anchor", "/application/limbs/*/anchor"),
        (f"/{CANARY}", None),
        (7, None),
    ],
)
def test_an_unknown_path_is_told_with_the_nearest_legal_one(sent: Any, nearest: str | None) -> None:
    (item,) = refused(orjson.dumps(small(not_collected=[sent]))).errors
    assert (item.code, item.pointer) == ("unknown-path", "/not_collected/0")
    assert CANARY not in item.detail
    if nearest is None:
        assert "/v1/formats lists them" in item.detail
    else:
        assert nearest in PATHS and item.detail.endswith(f"Nearest: {nearest}.")


@pytest.mark.parametrize(
    ("body", "said"),
    [
        ({"patient": {"sex": None}}, "Leave the member out"),
        ({"patient": {"sex": None}}, "It holds: one of female, male"),
        ({"monitoring": {"vitals": [{"spo2": None}]}}, "It holds: From 0 to 100 %."),
        ({"monitoring": {"events": [{"event": None}]}}, "This member cannot be left out. It holds: one of "),
        ({"monitoring": {"vitals": [None]}}, "Leave the item out of the list."),
        ({"not_collected": None}, "Leave the member out, or send a list."),
        ({"monitoring": {"vitals": [{"agitation_scale": "rass", "agitation_score": 9}]}}, "rass from -5 to 4"),
        ({"monitoring": {"vitals": [{"agitation_scale": "rass", "agitation_score": 6}]}}, "rass: from -5 to 4"),
    ],
)
def test_a_refusal_says_what_to_send(body: dict[str, Any], said: str) -> None:
    (item,) = refused(orjson.dumps(small(**body))).errors
    assert said in item.detail
