"""The engine's C code under AddressSanitizer and UndefinedBehaviorSanitizer: ``python -m tests.engine.sanitize``.

Downloads the pinned source of durable-rules with pip, compiles its C files
with gcc, and lets a child process decide random sheets with that build. A
canary, a join known to read past its array, has to be reported by the same
build first; without that report the run proves nothing and fails. (It is a
canary for AddressSanitizer; there is none for UndefinedBehaviorSanitizer.)
Needs gcc with its sanitizer libraries, and a package index.

Exit status 0: the canary was reported, and the sheets gave no report and no
disagreement.
"""

from __future__ import annotations

import argparse
import importlib
import os
import random
import subprocess
import sys
import sysconfig
import tarfile
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

from service.engine.compile import Catalogue
from service.engine.decide import Decider
from service.engine.fence import QuietHost
from tests.engine.sheets import Literals, random_sheet

NAME, VERSION = "durable_rules", "2.0.28"
SHA256 = "053b26f5e48d312d4fa27995243f954671be6eece477f150c059c364eb4d7d61"
SOURCES = ("rulespy/rules.c", *(f"rules/{name}.c" for name in ("json", "rete", "state", "events", "regex")))
#: Allocations are filled, so that an uninitialised pointer is a crash and not luck.
ASAN_OPTIONS = "detect_leaks=0:halt_on_error=1:exitcode=77:malloc_fill_byte=190:max_malloc_fill_size=1000000000"
UBSAN_OPTIONS = "print_stacktrace=1:halt_on_error=1:exitcode=78"
REPORTS = ("AddressSanitizer", "UndefinedBehaviorSanitizer", "runtime error:")

Subject = Callable[[], tuple[Decider, Catalogue, Literals]]


def download(directory: Path) -> Path:
    """The unpacked source of the pinned release; pip checks the hash."""
    wanted = directory / "requirements.txt"
    wanted.write_text(f"{NAME}=={VERSION} --hash=sha256:{SHA256}\n")
    pip = [sys.executable, "-m", "pip", "download", "--quiet", "--disable-pip-version-check", "--no-deps"]
    pip += ["--no-binary", ":all:", "--require-hashes", "--dest", str(directory), "--requirement", str(wanted)]
    subprocess.run(pip, check=True, timeout=300)
    (archive,) = directory.glob("*.tar.gz")
    with tarfile.open(archive) as packed:
        packed.extractall(directory, filter="data")
    return directory / f"{NAME}-{VERSION}" / "src"


def build(source: Path, directory: Path) -> None:
    """Compile the C module into ``directory``, under the name Python imports."""
    target = directory / f"durable_rules_engine{sysconfig.get_config_var('EXT_SUFFIX')}"
    command = ["gcc", "-shared", "-fPIC", "-g", "-O1", "-std=c99", "-D_GNU_SOURCE", "-w", "-fno-omit-frame-pointer"]
    command += ["-fsanitize=address,undefined", f"-I{sysconfig.get_path('include')}", f"-I{source / 'rules'}"]
    command += [*(str(source / name) for name in SOURCES), "-o", str(target)]
    subprocess.run(command, check=True, timeout=300)


def library(name: str) -> str:
    """Where gcc keeps one of its libraries."""
    found = subprocess.run(["gcc", f"-print-file-name={name}"], check=True, capture_output=True, text=True, timeout=60)
    return found.stdout.strip()


def run_child(directory: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    """This module again, in a process that loads the sanitized build."""
    environment = {
        **os.environ,
        "LD_PRELOAD": f"{library('libasan.so')} {library('libubsan.so')}",
        "ASAN_OPTIONS": ASAN_OPTIONS,
        "UBSAN_OPTIONS": UBSAN_OPTIONS,
        "PYTHONMALLOC": "malloc",
        "PYTHONPATH": os.pathsep.join((str(directory), os.getcwd())),
    }
    command = [sys.executable, "-m", "tests.engine.sanitize", "--child", str(directory), *arguments]
    return subprocess.run(command, env=environment, capture_output=True, text=True, timeout=3600, check=False)


def reported(child: subprocess.CompletedProcess[str]) -> bool:
    """Whether a sanitizer spoke up."""
    return any(mark in child.stderr for mark in REPORTS)


def sheets(subject: str, count: int, seed: int) -> int:
    """In the child: decide random sheets; prints figures; 1 on a disagreement."""
    module, _, function = subject.partition(":")
    make: Subject = getattr(importlib.import_module(module), function)
    decider, catalogue, literals = make()
    rng = random.Random(seed)
    start = time.perf_counter()
    outcomes: Counter[str] = Counter()
    disputed = 0
    for _ in range(count):
        for decision in decider.decide(random_sheet(rng, catalogue, literals)):
            disputed += len(decision.disputed)
            outcomes.update(outcome for _, outcome in decision.by_fact)
    seconds = time.perf_counter() - start
    print(f"{count} sheets in {seconds:.1f} s, {disputed} disputed, by fact:", dict(sorted(outcomes.items())))
    return 1 if disputed or outcomes["error"] else 0


def canary() -> int:
    """In the child: a join whose last term is false, without the term that ends it safely (``events.c``, 612-618)."""
    join = {"$and": [{"kind": "v"}, {"$gt": {"v": {"m_0": "t"}}}]}
    host = QuietHost()
    host.set_rulesets({"rs": {"join": {"all": [{"m_0": {"kind": "r"}}, {"m_1": join}], "run": lambda context: None}}})
    for _ in range(50):
        facts = [{"sid": "e", "id": "1", "kind": "r", "t": 3}]
        facts += [{"sid": "e", "id": str(10 + value), "kind": "v", "v": value} for value in range(6)]
        host.assert_facts("rs", facts)
        host.delete_state("rs", "e")
    return 0


def main() -> int:
    """Build, run the canary, run the sheets, print figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sheets", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--subject",
        default="tests.engine.synthetic:subject",
        help="module:function that returns (Decider, catalogue, literals)",
    )
    parser.add_argument("--child", help=argparse.SUPPRESS)
    parser.add_argument("--canary", action="store_true", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.child:
        if Path(sys.modules["durable_rules_engine"].__file__ or "").parent != Path(options.child):
            print("the sanitized build was not loaded")
            return 3
        return canary() if options.canary else sheets(options.subject, options.sheets, options.seed)

    with tempfile.TemporaryDirectory() as temporary:
        directory = Path(temporary)
        build(download(directory), directory)
        bird = run_child(directory, "--canary")
        print(f"canary: exit status {bird.returncode}, {'reported' if reported(bird) else 'NOT REPORTED'}")
        run = run_child(
            directory, "--sheets", str(options.sheets), "--seed", str(options.seed), "--subject", options.subject
        )
    print(run.stdout.strip())
    print(f"sheets: exit status {run.returncode}, {'REPORTED' if reported(run) else 'no report'}")
    if run.returncode or reported(run):
        print(run.stderr.strip(), file=sys.stderr)
    return 0 if reported(bird) and bird.returncode == 77 and not run.returncode and not reported(run) else 1


if __name__ == "__main__":
    sys.exit(main())
