"""``restraint-review batch | measures | compare``: files of episodes, one JSON episode a line."""

from __future__ import annotations

import argparse
import json
import shutil
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from service.problems import PROBLEMS
from service.settings import Settings, read_settings
from service.wording.headings import count

from .exit_status import FAULTS, OK, failed

if TYPE_CHECKING:
    from service.batch.blocks import Block
    from service.batch.jobs import Done, Job, Rules
    from service.batch.runner import Totals, Workers

Commands = Any  # argparse has no public name for what add_subparsers returns
T = TypeVar("T")

_ONE_LINE = (
    "one JSON episode or FHIR Bundle a line (NDJSON), or a NEMSIS document with any number of charts; "
    "a path or, with --scheduler, an URL"
)


class _Failure(Exception):
    """The command cannot do its work. ``lines`` say why."""

    def __init__(self, *lines: str) -> None:
        super().__init__()
        self.lines = lines


def register(commands: Commands) -> None:
    """Add the three commands."""
    batch = commands.add_parser(
        "batch",
        help="review files of many episodes",
        description="Reviews every line, and every chart of a NEMSIS document, on all cores and writes the reviews and two tables. Stopped or crashed, the "
        "same command goes on where it was. Exit status: 0 every line reviewed, 1 some lines have no review (they are "
        "named), 2 not done.",
    )
    _files(batch)
    batch.add_argument(
        "--output", required=True, metavar="FOLDER", help="where the results go; holds patient data afterwards"
    )
    batch.add_argument("--profile", help="id of the profile")
    batch.add_argument("--explain", action="store_true", help="say what decided each rule")
    batch.set_defaults(run=_guarded(_batch))

    measures = commands.add_parser(
        "measures",
        help="quality measures over files of many episodes",
        description="Documentation rates for every rule and published list, with intervals, trends and funnels, and "
        'times. An episode names its group (a station, a unit; never a person) as {"extensions": {"group": "station-4"}}.',
    )
    _files(measures)
    measures.add_argument("--profile", help="id of the profile")
    measures.add_argument(
        "--period", choices=("month", "week"), default="month", help="length of a period in trends (month)"
    )
    measures.add_argument("--format", choices=("json", "csv", "html"), default="json", help="of the result (json)")
    measures.add_argument("--output", metavar="FILE", help="where the result goes (standard output)")
    measures.set_defaults(run=_guarded(_measures))

    compare = commands.add_parser(
        "compare",
        help="the same episodes under two profiles or two rulesets",
        description="Which findings appear, vanish or change severity, rule by rule, with records to look at.",
    )
    _files(compare)
    compare.add_argument("--left", metavar="PROFILE", help="id of the profile on the left")
    compare.add_argument("--right", metavar="PROFILE", help="id of the profile on the right")
    compare.add_argument("--left-rules", type=Path, metavar="FOLDER", help="rulebook on the left (the one in force)")
    compare.add_argument("--right-rules", type=Path, metavar="FOLDER", help="rulebook on the right (the one in force)")
    compare.add_argument("--json", action="store_true", help="print the comparison as JSON")
    compare.set_defaults(run=_guarded(_compare))


def _files(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("files", nargs="+", metavar="FILE", help=_ONE_LINE)
    where = parser.add_mutually_exclusive_group()
    where.add_argument("--processes", type=_positive, metavar="N", help="processes of this machine (one a core)")
    where.add_argument(
        "--scheduler",
        metavar="ADDRESS",
        help="a dask scheduler, such as tcp://10.0.0.5:8786, in place of this machine's cores",
    )


def _positive(text: str) -> int:
    number = int(text)
    if number < 1:
        raise ValueError
    return number


# ---------------------------------------------------------------- the three


def _batch(arguments: argparse.Namespace, settings: Settings) -> int:
    from service.batch import jobs, runner

    try:
        names = runner.names_of(arguments.files)
    except ValueError as error:
        raise _Failure(f"{error}: their results would have one name") from None
    rules = _rules(settings, settings.rules_dir, arguments.profile)
    try:
        parts = runner.prepare(arguments.output, names)
    except runner.AlreadyThere as there:
        raise _Failure(
            f"{arguments.output} holds the results of a batch ({there.name}). Choose another folder or move them."
        ) from None
    job = jobs.Reviews(rules, arguments.explain, parts, names, settings.max_body_bytes)
    made: list[tuple[int, str]] = []

    def keep(block: Block, done: Done) -> None:
        made.append((block.input, done.part))

    try:
        totals = _work(arguments, job, keep)
    except KeyboardInterrupt:
        print("Stopped. What was finished is kept; the same command goes on from there.", file=sys.stderr)
        raise
    summary = {
        "versions": dict(rules.versions),
        "explain": arguments.explain,
        "files": list(names),
        "lines": _counts(totals),
    }
    runner.finish(arguments.output, names, made, summary)
    print(f"{_told(totals)} Results: {arguments.output}", file=sys.stderr)
    return _status(totals)


def _measures(arguments: argparse.Namespace, settings: Settings) -> int:
    from service.batch import definitions, jobs, measures

    rules = _rules(settings, settings.rules_dir, arguments.profile)
    job = jobs.Measures(rules, arguments.period, settings.max_body_bytes)
    wanted = definitions.measures_of(rules.pipeline().rulebook)
    tally = measures.Tally(len(wanted))
    totals = _work(arguments, job, lambda block, done: tally.merge(done.tally))
    document = measures.document(tally, wanted, dict(rules.versions), arguments.period)
    if arguments.format == "html":
        from service.pages import measures as measures_page

        content = measures_page.render(document)
    elif arguments.format == "csv":
        content = measures.to_csv(document)
    else:
        content = json.dumps(document, indent=1, ensure_ascii=False).encode() + b"\n"
    if arguments.output:
        from service.batch.store import store_of

        with store_of(arguments.output).write(arguments.output) as stream:
            stream.write(content)
    else:
        sys.stdout.buffer.write(content)
        sys.stdout.buffer.flush()
    print(_told(totals), file=sys.stderr)
    return _status(totals)


def _compare(arguments: argparse.Namespace, settings: Settings) -> int:
    from service.batch import compare, jobs

    if (arguments.left, arguments.left_rules) == (arguments.right, arguments.right_rules):
        raise _Failure("both sides are the same: name another profile or another rulebook on one of them")
    left = _rules(settings, arguments.left_rules or settings.rules_dir, arguments.left)
    right = _rules(settings, arguments.right_rules or settings.rules_dir, arguments.right)
    tally = compare.Tally()
    totals = _work(
        arguments, jobs.Compare(left, right, settings.max_body_bytes), lambda block, done: tally.merge(done.tally)
    )
    sides = [(rules.pipeline(), rules.profile) for rules in (left, right)]
    document = compare.document(tally, sides[0], sides[1], arguments.files)
    if arguments.json:
        print(json.dumps(document, indent=1, ensure_ascii=False))
    else:
        from service.pages import comparison

        width = shutil.get_terminal_size().columns if sys.stdout.isatty() else 80
        print(comparison.render(document, max(40, min(width, 100))), end="")
    print(_told(totals), file=sys.stderr)
    return _status(totals)


# ---------------------------------------------------------------- what they share


def _guarded(command: Callable[[argparse.Namespace, Settings], int]) -> Callable[[argparse.Namespace], int]:
    """With what can go wrong said in a line each."""

    def run(arguments: argparse.Namespace) -> int:
        from service.batch.jobs import DifferentRules
        from service.batch.runner import WorkerLost

        try:
            if arguments.scheduler is not None:
                _for_others(arguments)
            return command(arguments, read_settings())
        except _Failure as failure:
            return failed(*failure.lines)
        except OSError as error:
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


def _rules(settings: Settings, directory: Path | None, profile: str | None) -> Rules:
    """The rules of one side, their pipeline built and tested in this process, so that forked ones have it too."""
    from service.batch.jobs import NotReady, Rules
    from service.engine.compile import EngineError
    from service.formats.nemsis.mapping import MappingError
    from service.formats.nemsis.xsd import SchemaError
    from service.pipeline import UnknownProfile
    from service.rulebook.load import RulebookError

    try:
        return Rules.of(
            directory,
            settings.extra_rules_dir,
            profile or settings.default_profile,
            settings.mappings_dir,
            settings.nemsis_xsd_dir,
        )
    except (RulebookError, MappingError, NotReady) as error:
        raise _Failure(*error.lines) from None
    except (EngineError, SchemaError) as error:
        raise _Failure(str(error)) from None
    except UnknownProfile:
        raise _Failure("no profile has this id") from None


def _work(arguments: argparse.Namespace, job: Job, keep: Callable[[Block, Done], None]) -> Totals:
    from service.batch import runner

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
    from service.batch.store import is_remote

    if arguments.scheduler is None:
        if any(is_remote(path) for path in arguments.files):
            raise _Failure("an URL is read by the workers of a cluster: name its --scheduler")
        with runner.Processes(arguments.processes) as processes:
            yield processes
        return
    try:
        from distributed import Client  # type: ignore[import-not-found,import-untyped,unused-ignore]

        from service.batch.dask_runner import Cluster
    except ImportError:
        raise _Failure("--scheduler needs the extra: pip install 'restraint-review[dask]'") from None
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


def _counts(totals: Totals) -> dict[str, int]:
    read = totals.lines - totals.empty
    return {
        "read": read,
        "reviewed": totals.reviewed,
        "rejected": totals.rejected,
        "not_evaluated": totals.not_evaluated,
    }


def _told(totals: Totals) -> str:
    again = ""
    if totals.reused:
        again = f" {count(totals.reused, 'line')} {'was' if totals.reused == 1 else 'were'} done before."
    counts = _counts(totals)
    return (
        f"{count(counts['read'], 'line')}: {counts['reviewed']} reviewed, {counts['rejected']} could not be read, "
        f"{counts['not_evaluated']} not evaluated.{again}"
    )


def _status(totals: Totals) -> int:
    return FAULTS if totals.bad else OK
