"""What ``batch``, ``measures`` and ``compare`` share: files of many episodes, one JSON episode a line, and who works on them."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from service.settings import Settings, read_settings
from service.wording.headings import count

from . import loading
from .exit_status import FAULTS, OK, CommandFailed, failed

if TYPE_CHECKING:
    from service.batch.blocks import Block
    from service.batch.jobs import Done, Job, Rules
    from service.batch.runner import Totals, Workers

_ONE_LINE = (
    "one JSON episode or FHIR Bundle a line (NDJSON), or a NEMSIS document with any number of charts; "
    "a path or, with --scheduler, an URL"
)
_A_FOLDER = (
    f"Name the files in it. Each is {_ONE_LINE}.",
    "JSON episodes in a file each become one with: jq -c . FOLDER/*.json > year.ndjson",
)


def add_files(parser: argparse.ArgumentParser) -> None:
    """The arguments that say which files and which workers."""
    parser.add_argument("files", nargs="+", metavar="FILE", help=_ONE_LINE)
    where = parser.add_mutually_exclusive_group()
    where.add_argument("--processes", type=_positive, metavar="N", help="processes of this machine (one a core)")
    where.add_argument(
        "--scheduler",
        metavar="ADDRESS",
        help="a dask scheduler, such as tcp://10.0.0.5:8786, in place of this machine's cores",
    )


def _positive(text: str) -> int:
    if not text.isdecimal() or int(text) < 1:
        raise argparse.ArgumentTypeError("not a whole number of 1 or more")
    return int(text)


def guarded(command: Callable[[argparse.Namespace, Settings], int]) -> Callable[[argparse.Namespace], int]:
    """With what can go wrong said in a line each."""

    def run(arguments: argparse.Namespace) -> int:
        from service.batch.jobs import DifferentRules
        from service.batch.runner import WorkerLost
        from service.batch.store import is_remote

        try:
            if arguments.scheduler is not None:
                _for_others(arguments)
            elif any(is_remote(path) for path in arguments.files):
                raise CommandFailed("an URL is read by the workers of a cluster: name its --scheduler")
            return command(arguments, read_settings())
        except OSError as error:
            if isinstance(error, IsADirectoryError) and error.filename in arguments.files:
                return failed(f"{error.filename}: is a folder", *_A_FOLDER)
            return failed(f"{error.filename or 'a file'}: {error.strerror or type(error).__name__}")
        except DifferentRules:
            return failed("a worker of the cluster has another version of this package or of the rules")
        except WorkerLost as lost:
            where = [
                f"  {item.block.path}, from line {item.lines_before + 1}"
                for item in lost.items
                if hasattr(item, "block")
            ]
            return failed(
                "A process ended in the middle of its work. What was finished is kept; the same command goes on.",
                *where[:1],
            )

    return run


def _for_others(arguments: argparse.Namespace) -> None:
    """Paths as other machines find them: whole ones."""
    from service.batch.store import is_remote

    def whole(path: str) -> str:
        return path if is_remote(path) else str(Path(path).resolve())

    arguments.files = [whole(path) for path in arguments.files]
    if getattr(arguments, "output", None):
        arguments.output = whole(arguments.output)
    for name in ("left_rules", "right_rules"):
        if getattr(arguments, name, None):
            setattr(arguments, name, getattr(arguments, name).resolve())


def rules_of(settings: Settings, directory: Path | None, profile: str | None) -> Rules:
    """The rules of one side, their pipeline built and tested in this process, so that forked ones have it too."""
    from service.batch.jobs import NotReady, Rules

    try:
        with loading.faults_told():
            return Rules.of(
                directory,
                settings.extra_rules_dir,
                profile or settings.default_profile,
                settings.mappings_dir,
                settings.nemsis_xsd_dir,
            )
    except NotReady as error:
        raise CommandFailed(*error.lines) from None


def work(arguments: argparse.Namespace, job: Job, keep: Callable[[Block, Done], None]) -> Totals:
    """Run the job over the files; ``keep`` is given what came of each range. Lines without a review are named."""
    from service.batch import runner
    from service.problems import PROBLEMS

    totals = runner.Totals()
    with _workers(arguments) as workers, _Bar() as bar:
        for block, done in runner.run(job, arguments.files, workers, bar):
            totals.add(done, block.path)
            keep(block, done)
    for file, line, code, pointer in totals.named:
        failed(f"{file}, line {line}: {code}{f' at {pointer}' if pointer else ''} ({PROBLEMS[code].title})")
    if more := totals.bad - len(totals.named):
        failed(f"and {count(more, 'more line')} without a review")
    return totals


@contextmanager
def _workers(arguments: argparse.Namespace) -> Iterator[Workers]:
    from service.batch import runner

    if arguments.scheduler is None:
        with runner.Processes(arguments.processes) as processes:
            yield processes
        return
    try:
        from distributed import Client  # type: ignore[import-not-found,import-untyped,unused-ignore]

        from service.batch.dask_runner import Cluster
    except ImportError:
        raise CommandFailed("--scheduler needs the extra: pip install 'restraint-review[dask]'") from None
    with Client(arguments.scheduler) as client:  # type: ignore[no-untyped-call,unused-ignore]
        yield Cluster(client)


class _Bar:
    """A bar with rate and remaining time on a terminal, nothing elsewhere."""

    def __init__(self) -> None:
        self._bar: Any = None

    def __enter__(self) -> _Bar:
        return self

    def __exit__(self, *_: object) -> None:
        if self._bar is not None:
            self._bar.close()

    def begin(self, lines: int) -> None:
        """So many lines in all."""
        if sys.stderr.isatty():
            from tqdm import tqdm

            tqdm.monitor_interval = 0  # no thread of its own
            self._bar = tqdm(total=lines, unit=" lines", dynamic_ncols=True)

    def step(self, lines: int, *, reused: bool) -> None:
        """What was done by an earlier try counts as done and not into the rate."""
        if self._bar is not None:
            if reused:
                self._bar.initial += lines
            self._bar.update(lines)


def counts_of(totals: Totals) -> dict[str, int]:
    """How many lines were read, and what became of them."""
    read = totals.lines - totals.empty
    return {
        "read": read,
        "reviewed": totals.reviewed,
        "rejected": totals.rejected,
        "not_evaluated": totals.not_evaluated,
    }


def report(totals: Totals) -> str:
    """The same in a sentence."""
    again = ""
    if totals.reused:
        again = f" {count(totals.reused, 'line')} {'was' if totals.reused == 1 else 'were'} done before."
    counts = counts_of(totals)
    return (
        f"{count(counts['read'], 'line')}: {counts['reviewed']} reviewed, {counts['rejected']} could not be read, "
        f"{counts['not_evaluated']} not evaluated.{again}"
    )


def status(totals: Totals) -> int:
    """The exit status."""
    return FAULTS if totals.bad else OK
