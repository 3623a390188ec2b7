"""Coverage-guided fuzzing of everything that reads: ``python -m tests.ops.fuzz TARGET --seconds 300 --corpus FOLDER``.

Needs atheris. Targets: the readers of the four formats, CDS Hooks requests and feedback, the
NDJSON of a batch, and the files of clients and keys. A target may refuse in
the one way that is declared for it; anything else is a crash, which atheris
writes to a file. What is found goes to ``tests/ops/found/`` and is run with
the tests ever after.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import atheris  # type: ignore[import-not-found,unused-ignore]

with atheris.instrument_imports(include=["service"]):
    from tests.ops.targets import TARGETS


def main() -> None:
    """Fuzz one target."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("target", choices=TARGETS)
    parser.add_argument("--seconds", type=int, default=60)
    parser.add_argument("--corpus", type=Path, required=True)
    arguments = parser.parse_args()
    arguments.corpus.mkdir(parents=True, exist_ok=True)
    from tests.ops.test_fuzz import seeds

    for number, seed in enumerate(seeds(arguments.target)):
        (arguments.corpus / f"seed-{number}").write_bytes(seed)
    one = TARGETS[arguments.target]
    atheris.Setup(
        [
            sys.argv[0], str(arguments.corpus), f"-max_total_time={arguments.seconds}", "-max_len=65536", "-timeout=20",
            "-rss_limit_mb=3000", "-print_final_stats=1", "-verbosity=0", f"-artifact_prefix={arguments.corpus}/found-",
        ],
        one,
    )  # fmt: skip
    atheris.Fuzz()


if __name__ == "__main__":
    main()
