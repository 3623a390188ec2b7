"""``restraint-review convert``: an episode of ours as a FHIR Bundle or a NEMSIS chart, for worked fixtures."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

from .exit_status import OK, failed, printable

FORMATS = ("fhir", "nemsis")


def register(commands: Any) -> None:
    """Add the command."""
    convert = commands.add_parser(
        "convert",
        help="write an episode as a FHIR Bundle or a NEMSIS chart",
        description="What is read back is the same episode, but for `accepted` and free `extensions`.",
    )
    convert.add_argument("file", metavar="FILE", help="a JSON episode, or - for standard input")
    convert.add_argument("--to", required=True, choices=FORMATS, help="the format to write")
    convert.add_argument("--output", type=Path, metavar="FILE", help="where to write (default: standard output)")
    convert.set_defaults(run=_run)


def _run(arguments: argparse.Namespace) -> int:
    from service.problems import Rejected

    try:
        body = sys.stdin.buffer.read() if arguments.file == "-" else Path(arguments.file).read_bytes()
        document, left_out = converted(body, arguments.to)
    except OSError as error:
        return failed(f"{arguments.file}: {type(error).__name__}")
    except Rejected as rejected:
        return failed(*(f"{arguments.file}: {slip.pointer or '/'}: {slip.detail}" for slip in rejected.errors))
    for pointer in left_out:
        print(f"{printable(arguments.file)}: {pointer} cannot be written in this format", file=sys.stderr)
    if arguments.output is None:
        sys.stdout.buffer.write(document)
        sys.stdout.buffer.flush()
        return OK
    try:
        arguments.output.write_bytes(document)
    except OSError as error:
        return failed(f"{arguments.output}: {type(error).__name__}")
    return OK


def converted(body: bytes, to: str) -> tuple[bytes, tuple[str, ...]]:
    """The document, and the pointers of what it cannot hold. Raises Rejected (400, 422)."""
    from service.intake import episode_json, strict_json

    intake = episode_json.read(body)
    if to == "fhir":
        from service.formats.fhir import write as fhir_writer

        return fhir_writer.encoded(intake.episode), ()
    from service.formats.nemsis import write as nemsis_writer

    value = strict_json.loads(body)
    written = nemsis_writer.write(
        {name: inner for name, inner in value.items() if name not in ("accepted", "extensions")}
    )
    return written.document, written.left_out
