"""The command line: ``restraint-review serve | demo | check | batch | measures | compare | convert | keys | rules``."""

from __future__ import annotations

import argparse
import json
import os
import shutil
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from service import __version__
from service.commands import batch, convert, keys
from service.commands.exit_status import FAILED, FAULTS, OK
from service.commands.exit_status import failed as _failed
from service.formats.media_types import FORMATS, media_type_of
from service.pages import terminal
from service.resources import demo_directory, rules_directory
from service.server import process
from service.settings import PREFIX, Settings, SettingsError, read_settings
from service.wording.headings import count

if TYPE_CHECKING:
    from service.pipeline import Pipeline

_JSON = "application/json"


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit status."""
    arguments = _parser().parse_args(argv)
    try:
        return int(arguments.run(arguments))
    except SettingsError as error:
        return _failed(*error.lines)
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        # The reader of our output has gone; Python would complain again when it flushes at the end.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return OK


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="restraint-review",
        description="Review the charting of restraint episodes in ambulance care. Supports review; not a medical "
        "device, not medical or legal advice. Local protocol and medical direction win.",
        epilog="Every setting can also be given as RESTRAINT_REVIEW_<NAME> in the environment.",
    )
    parser.add_argument("--version", action="version", version=__version__)
    commands = parser.add_subparsers(required=True, metavar="COMMAND")

    serve = commands.add_parser("serve", help="run the service")
    serve.add_argument("--host", help="address to listen on (127.0.0.1)")
    serve.add_argument("--port", help="port to listen on (8080)")
    serve.add_argument("--workers", help="worker processes (2)")
    serve.add_argument("--public", action="store_true", help="allow an address that other machines reach")
    serve.set_defaults(run=_serve)

    demo = commands.add_parser("demo", help="start the service, review the demo episodes, stay up until Ctrl-C")
    demo.add_argument("--once", action="store_true", help="end after the last review")
    demo.set_defaults(run=_demo)

    check = commands.add_parser(
        "check",
        help="review files without a server",
        description="Exit status: 0 nothing critical, 1 something critical stands, 2 a file could not be reviewed.",
    )
    check.add_argument(
        "files", nargs="+", metavar="FILE", help="an episode in any format that is read, or - for standard input"
    )
    check.add_argument("--format", choices=tuple(FORMATS), help="format of the files (by their content)")
    check.add_argument("--profile", help="id of the profile")
    check.add_argument("--json", action="store_true", help="print each review as JSON, one a line")
    check.add_argument("--explain", action="store_true", help="with --json: say what decided each rule")
    check.set_defaults(run=_check)

    batch.register(commands)
    convert.register(commands)
    keys.register(commands)

    rules = commands.add_parser("rules", help="look at the rulebook").add_subparsers(required=True, metavar="COMMAND")
    rules.add_parser("list", help="every rule on a line").set_defaults(run=_rules_list)
    show = rules.add_parser("show", help="one rule, whole")
    show.add_argument("rule", metavar="ID", help="id or name")
    show.add_argument("--json", action="store_true", help="as data")
    show.set_defaults(run=_rules_show)
    new = rules.add_parser("new", help="write a rule file to be filled in")
    new.add_argument("name", help="kebab-case, names the problem")
    new.add_argument("--phase", required=True)
    new.add_argument("--about", required=True, metavar="KIND", help="kind of fact")
    new.add_argument("--into", type=Path, metavar="DIR", help="directory of the rulebook (default: the one in use)")
    new.set_defaults(run=_rules_new)
    test = rules.add_parser("test", help="run the rules' own tests")
    test.add_argument("paths", nargs="*", type=Path, metavar="PATH", help="only these rule files or folders")
    test.add_argument("--only", metavar="PREFIX", help="only rules whose id begins so")
    test.set_defaults(run=_rules_test)
    return parser


def _serve(arguments: argparse.Namespace) -> int:
    environ = dict(os.environ)
    for name in ("host", "port", "workers"):
        value = getattr(arguments, name)
        if value is not None:
            environ[PREFIX + name.upper()] = value
    if arguments.public:
        environ[f"{PREFIX}PUBLIC"] = "true"
    read_settings(environ)  # a fault shows as one line here, not as a traceback of the server
    process.become(environ)


def _demo(arguments: argparse.Namespace) -> int:
    # Only what goes wrong: the lines of a healthy server would run through the reviews.
    overrides = {f"{PREFIX}LOG_LEVEL": "warning", f"{PREFIX}WORKERS": "1"}
    try:
        with process.running(overrides) as (base, child):
            episodes = json.loads((demo_directory() / "index.json").read_text("utf-8"))
            with urllib.request.urlopen(f"{base}/v1/rules", timeout=30) as answer:
                rules = {rule["id"]: (rule["phase"], rule["title"]) for rule in json.load(answer)["rules"]}
            for episode in episodes:
                try:
                    document = _post(f"{base}/v1/reviews", (demo_directory() / episode["file"]).read_bytes())
                except urllib.error.HTTPError as error:
                    with error:
                        return _failed(f"the service answered {error.code} to the demo episode {episode['file']}")
                _show(f"{episode['title']} ({episode['file']})", document, rules, episode["story"])
            print(_where_next(base, demo_directory() / episodes[-1]["file"]))
            if not arguments.once:
                print("The service stays up. Ctrl-C ends it.", flush=True)
                while child.poll() is None:
                    time.sleep(0.5)
                return _failed("the service has ended by itself")
    except KeyboardInterrupt:
        print()
    except process.NotStarted as error:
        return _failed(str(error))
    except OSError as error:
        return _failed(f"the service did not answer: {type(error).__name__}")
    return OK


def _post(url: str, body: bytes) -> Any:
    request = urllib.request.Request(url, body, {"Content-Type": _JSON}, method="POST")
    with urllib.request.urlopen(request, timeout=30) as answer:
        return json.load(answer)


def _where_next(base: str, example: Path) -> str:
    return (
        f"\nWhere to look next:\n"
        f"  every rule with its sources   {base}/v1/rules\n"
        f"  FHIR and NEMSIS               {base}/v1/formats\n"
        f"  the contract                  {base}/openapi.yaml\n"
        f"  a review of your own          curl -H 'Content-Type: {_JSON}' --data-binary @{example} {base}/v1/reviews\n"
    )


def _check(arguments: argparse.Namespace) -> int:
    from service.engine.fence import NotEvaluated
    from service.pipeline import UnknownProfile
    from service.problems import Rejected
    from service.representations import review_json

    settings = read_settings()
    pipeline = _pipeline(settings)
    if pipeline is None:
        return FAILED
    status = OK
    for name in arguments.files:
        try:
            body = sys.stdin.buffer.read() if name == "-" else Path(name).read_bytes()
            media_type = FORMATS[arguments.format] if arguments.format else media_type_of(body)
            review = pipeline.review(body, media_type, arguments.profile or settings.default_profile, arguments.explain)
        except OSError as error:
            status = _failed(f"{name}: cannot be opened: {error.strerror}")
        except Rejected as rejected:
            status = _failed(f"{name}: {rejected.code}", *_places(rejected))
        except UnknownProfile:
            return _failed("no profile has this id")
        except NotEvaluated:
            status = _failed(f"{name}: the review was not finished; there is no result")
        else:
            if arguments.json:
                sys.stdout.buffer.write(review_json.render(review).rstrip(b"\n") + b"\n")
                sys.stdout.buffer.flush()
            else:
                _show(name, review.document, {rule.id: (rule.phase, rule.title) for rule in pipeline.rulebook.rules})
            if status == OK and review.document["summary"]["by_severity"].get("critical"):
                status = FAULTS
    return status


def _places(rejected: Any) -> list[str]:
    lines = [f"  {item.pointer or item.location or '(the whole body)'}: {item.detail}" for item in rejected.errors]
    return [*lines, f"  and {rejected.omitted} more"] if rejected.omitted else lines


def _rules_list(arguments: argparse.Namespace) -> int:
    pipeline = _pipeline(read_settings())
    if pipeline is None:
        return FAILED
    for rule in pipeline.rulebook.rules:
        print(f"{rule.id}  {rule.phase:<11}  {rule.severity:<8}  {rule.title}")
    return OK


def _rules_show(arguments: argparse.Namespace) -> int:
    from service.rulebook import catalogue

    pipeline = _pipeline(read_settings())
    if pipeline is None:
        return FAILED
    document = catalogue.rule_document(pipeline.rulebook, arguments.rule)
    if document is None:
        return _failed("no rule has this id or name")
    if arguments.json:
        print(json.dumps(document, indent=2, ensure_ascii=False))
    else:
        print(terminal.rule(document, shutil.get_terminal_size((80, 24)).columns), end="")
    return OK


def _rules_new(arguments: argparse.Namespace) -> int:
    from service.commands.rule_template import scaffold

    settings = read_settings()
    pipeline = _pipeline(settings)
    if pipeline is None:
        return FAILED
    into = arguments.into or settings.rules_dir or rules_directory()
    try:
        path = scaffold(pipeline.rulebook, into, arguments.name, arguments.phase, arguments.about)
    except FileExistsError:
        return _failed("the file is there already")
    except ValueError as error:
        return _failed(str(error))
    print(f"{path}\nFill it in, then: restraint-review rules test --only {path.name[:7]}")
    return OK


def _rules_test(arguments: argparse.Namespace) -> int:
    from service.commands import rule_checks
    from service.engine.compile import EngineError
    from service.formats.nemsis.mapping import MappingError
    from service.formats.nemsis.xsd import SchemaError
    from service.pipeline import Pipeline
    from service.rulebook.load import RulebookError

    settings = read_settings()
    directory = settings.rules_dir or rules_directory()
    files = {
        file.resolve() for path in arguments.paths for file in ([path] if path.is_file() else path.rglob("*.yaml"))
    }
    outside = [path for path in arguments.paths if not path.resolve().is_relative_to(directory.resolve())]
    if len(outside) > 1 or (outside and not outside[0].is_dir()):
        return _failed("outside the rulebook, one folder of the same shape can be tested at a time")
    try:
        pipeline = Pipeline.build(
            directory,
            outside[0] if outside else settings.extra_rules_dir,
            settings.mappings_dir,
            settings.nemsis_xsd_dir,
        )
    except (RulebookError, MappingError, SchemaError, EngineError) as error:
        return _failed(str(error))
    names = {file.name for file in files}
    wanted = [
        rule.id
        for rule in pipeline.rulebook.rules
        if rule.id.startswith(arguments.only or "") and (not arguments.paths or f"{rule.id}-{rule.name}.yaml" in names)
    ]
    if not wanted:
        return _failed("no rule is asked for")
    failures = rule_checks.run(pipeline, wanted)
    print("\n".join([*failures, f"{count(len(wanted), 'rule')} tested, {count(len(failures), 'failure')}"]))
    return FAULTS if failures else OK


def _pipeline(settings: Settings) -> Pipeline | None:
    """The pipeline, tested; None when it cannot be used, with the reasons on standard error."""
    from service.engine.compile import EngineError
    from service.formats.nemsis.mapping import MappingError
    from service.formats.nemsis.xsd import SchemaError
    from service.pipeline import Pipeline
    from service.rulebook.load import RulebookError

    try:
        pipeline = Pipeline.build(
            settings.rules_dir, settings.extra_rules_dir, settings.mappings_dir, settings.nemsis_xsd_dir
        )
    except (RulebookError, MappingError, SchemaError, EngineError) as error:
        _failed(str(error))
        return None
    failures = pipeline.self_test()
    if failures:
        _failed(*failures)
        return None
    return pipeline


def _show(title: str, document: Any, rules: Mapping[str, tuple[str, str]], story: str = "") -> None:
    terminal_out = sys.stdout.isatty()
    width = shutil.get_terminal_size().columns if terminal_out else 80
    color = terminal_out and not os.environ.get("NO_COLOR")
    print(terminal.render(title, document, rules, width, color, story), flush=True)


if __name__ == "__main__":
    sys.exit(main())
