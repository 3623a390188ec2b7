"""Instructions of one review, as callgrind counts them: ``python -m tests.benchmark.instructions [--reviews N]``.

They do not depend on what else the machine does. Needs ``valgrind`` and a C
compiler: a few lines of C tell callgrind where the reviews begin and end. A
``rep`` instruction counts once a byte, so filling memory looks dearer than it is.
"""

from __future__ import annotations

import argparse
import ctypes
import gc
import re
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from service.pipeline import Pipeline
from service.representations import review_json
from service.review.build import build as build_review
from tests.benchmark.episodes import NARRATIVE, SIZES
from tests.benchmark.stages import MEDIA_TYPE, PROFILE, Subject, bodies
from tests.benchmark.timing import table

#: Reviews before counting begins: the interpreter adapts to code that it has run some times.
WARM = 40
#: The requests of valgrind.h and callgrind.h: begin, stop, and write what was counted; from amd64's sequence.
SHIM = """
static void ask(unsigned long number) {
    volatile unsigned long request[6] = {number, 0, 0, 0, 0, 0};
    unsigned long answer = 0;
    __asm__ volatile("rolq $3, %%rdi; rolq $13, %%rdi; rolq $61, %%rdi; rolq $51, %%rdi; xchgq %%rbx, %%rbx"
                     : "=d"(answer) : "a"(&request[0]), "0"(answer) : "cc", "memory");
}
#define TOOL (('C' << 24) | ('T' << 16))
void begin(void) { ask(TOOL + 4); ask(TOOL + 1); }
void end(void) { ask(TOOL + 5); ask(TOOL); }
"""


def told(narrative: str) -> str:
    """What a column is called."""
    return f"{len(narrative)} characters" if narrative else "no narrative"


Counted = Callable[[str, Callable[..., Any], Iterable[Any]], list[Any]]


def counting(library: str) -> Counted:
    """What counts a run over some arguments, prints the name of the part and gives what came out."""
    shim = ctypes.CDLL(library)
    gc.collect()
    gc.freeze()

    def counted(name: str, run: Callable[..., Any], given: Iterable[Any]) -> list[Any]:
        out = []
        shim.begin()
        for each in given:
            out.append(run(each))
        shim.end()
        print(name, flush=True)
        return out

    return counted


def count_parts(own: Subject, sent: Sequence[bytes], counted: Counted) -> list[Any]:
    """Count the reviews of some bodies, whole and stage by stage; the reviews."""
    ruleset = own.pipeline._rulesets[PROFILE]
    counted("whole", own.whole, sent)
    intakes = counted("intake", lambda body: own.pipeline.read(body, MEDIA_TYPE), sent)
    sheets = counted("facts", lambda intake: own.pipeline.facts(intake.episode), intakes)
    fired = counted("engine", lambda sheet: own.fence.fire(sheet.facts), sheets)
    decisions = counted("evaluator", lambda pair: own.evaluate(*pair), list(zip(sheets, fired, strict=True)))
    made = list(zip(intakes, sheets, decisions, strict=True))
    reviews = counted("review", lambda parts: build_review(ruleset, *parts), made)
    counted("presentation", review_json.render, reviews)
    return reviews


def child(library: str, size: int, narrative: str, number: int) -> None:
    """Run under callgrind: the reviews, whole and stage by stage. Prints the name of each part that was counted."""
    own = Subject(Pipeline.build(profiles=[PROFILE]))
    sent = bodies(size, WARM + number, narrative)
    for body in sent[:WARM]:
        own.stages(body, lambda _: None)
        own.whole(body)
    count_parts(own, sent[WARM:], counting(library))


@contextmanager
def compiled() -> Iterator[Path]:
    """The lines of C as a library."""
    with tempfile.TemporaryDirectory() as folder:
        source, library = Path(folder) / "shim.c", Path(folder) / "shim.so"
        source.write_text(SHIM, encoding="utf-8")
        subprocess.run(["cc", "-O1", "-shared", "-fPIC", "-o", str(library), str(source)], check=True)
        yield library


def measure(run: str, number: int) -> dict[str, float]:
    """Millions of instructions a review, by part. ``run``: source that counts so many reviews of each part."""
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "out"
        command = [
            "valgrind",
            "--tool=callgrind",
            "--instr-atstart=no",
            f"--callgrind-out-file={out}",
            sys.executable,
            "-c",
        ]
        names = subprocess.run([*command, run], check=True, capture_output=True, text=True).stdout.split()
        counted = [out.with_name(f"out.{part}").read_text("utf-8") for part in range(1, len(names) + 1)]
    totals = [re.search(r"^totals: (\d+)", text, re.MULTILINE) for text in counted]
    return {name: int(total[1]) / number / 1e6 for name, total in zip(names, totals, strict=True) if total}


def main() -> None:
    """Measure every body and print a table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--reviews", type=int, default=10)
    number = parser.parse_args().reviews
    module = "tests.benchmark.instructions"
    with compiled() as library:
        found = {
            f"{size} items, {told(narrative)}": measure(
                f"from {module} import child; child({str(library)!r}, {size}, {narrative!r}, {number})", number
            )
            for size in SIZES
            for narrative in ("", NARRATIVE)
        }
    rows = [[name, *(f"{of[name]:.2f}" for of in found.values())] for name in next(iter(found.values()))]
    print(table(("million instructions a review", *found), rows))


if __name__ == "__main__":
    main()
