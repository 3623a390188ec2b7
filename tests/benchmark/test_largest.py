"""No step grows faster than its sorting, whichever list grows; what the largest record costs. CPU time, loosely held."""

from __future__ import annotations

import pytest

from service.pipeline import Pipeline
from tests.benchmark import largest
from tests.support import large

SMALL, TIMES = 150, 4
#: Four times the items, n log n: 4 times log(600) / log(150), 5.1. Their square would be 16.
MOST_TIMES = 8
#: CPU seconds that are noise.
NOISE = 0.01
#: CPU seconds and bytes of answer for five lists of 400; a fifth of the largest record.
MOST_SECONDS, MOST_BYTES = 2.0, 3_000_000


@pytest.mark.parametrize("path", large.lists())
def test_no_step_grows_faster_than_its_sorting(pipeline: Pipeline, path: str) -> None:
    few = largest.best(pipeline, large.body([path], SMALL), 2)
    for rounds in (1, 2):  # again only where once was too slow
        many = largest.best(pipeline, large.body([path], SMALL * TIMES), rounds)
        worse = {step: (few[step], many[step]) for step in few if many[step] > MOST_TIMES * few[step] + NOISE}
        if not worse:
            break
    assert worse == {}


def test_the_worst_record_has_an_answer_in_proportion(pipeline: Pipeline) -> None:
    took, sizes = largest.steps(pipeline, large.body(large.FIVE, 400))
    assert took["read"] + took["facts"] + took["decide"] + took["review"] + took["json"] < MOST_SECONDS
    assert sizes["json"] < MOST_BYTES
