"""Same input, same versions, same bytes."""

from __future__ import annotations

import json
import os
import random
import subprocess
import sys
from typing import Any

import pytest

from service.representations.review_json import render
from service.resources import demo_directory
from service.review.build import Wanted
from tests.support.pipeline import demo, demo_names, pipeline

_CHILD = """
import hashlib, sys
from service.pipeline import Pipeline
from service.representations.review_json import render
from service.review.build import Wanted
pipeline = Pipeline.build()
for path in sys.argv[1:]:
    with open(path, "rb") as body:
        review = pipeline.review(body.read(), "application/json", "default", Wanted(True, True, True))
    print(hashlib.sha256(render(review)).hexdigest())
"""


def answer(body: bytes) -> bytes:
    return render(pipeline().review(body, "application/json", "default", Wanted(True, True, True)))


def shuffled(rng: random.Random, value: Any) -> Any:
    """The same JSON value with the members of every object in another order."""
    if isinstance(value, dict):
        names = list(value)
        rng.shuffle(names)
        return {name: shuffled(rng, value[name]) for name in names}
    return [shuffled(rng, item) for item in value] if isinstance(value, list) else value


@pytest.mark.parametrize("name", demo_names())
def test_any_member_order_and_any_run(name: str) -> None:
    document = demo(name)
    first = answer(json.dumps(document).encode())
    rng = random.Random(4)
    for indent in (None, 1, None):
        other = json.dumps(shuffled(rng, document), indent=indent, ensure_ascii=bool(indent)).encode()
        assert answer(other) == first


def test_a_fresh_process_with_another_hash_seed() -> None:
    paths = [str(demo_directory() / f"{name}.json") for name in demo_names()]
    outputs = []
    for seed in ("1", "77"):
        environment = {**os.environ, "PYTHONHASHSEED": seed}
        done = subprocess.run(
            [sys.executable, "-c", _CHILD, *paths],
            env=environment,
            capture_output=True,
            text=True,
            timeout=120,
            check=True,
        )
        outputs.append(done.stdout)
    assert outputs[0] == outputs[1]
    assert len(outputs[0].split()) == len(paths)


def test_answers_hold_no_unordered_floats() -> None:
    """Every answer parses again to the same value: nothing in it depends on how a number was written."""
    document = demo("everything-wrong")
    document["patient"]["weight_kg"] = 70.0
    other = demo("everything-wrong")
    other["patient"]["weight_kg"] = 70
    one, two = (
        pipeline().review(json.dumps(d).encode(), "application/json", "default").document for d in (document, other)
    )
    assert one["findings"] == two["findings"]
