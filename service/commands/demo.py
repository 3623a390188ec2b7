"""``restraint-review demo``: the real service with invented episodes, for a first look."""

from __future__ import annotations

import argparse
import json
import signal
import subprocess
import textwrap
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from service.resources import demo_directory
from service.settings import PREFIX
from service.wording.headings import count, severity_counts

from . import screen
from .exit_status import OK, failed

if TYPE_CHECKING:
    import requests

#: The episode that is shown when none is named: two faults that somebody has to act on today, and some to know of.
SHOWN = "found-prone-handcuffs-key-away"
#: Lines of its review, so that all of it and what to try next can be read on one screen or two.
_MOST_LINES = 48
_JSON = "application/json"


def register(commands: Any) -> None:
    """Add the command."""
    demo = commands.add_parser(
        "demo",
        help="start the service, review a demo episode, stay up until Ctrl-C",
        description="Starts the service on a free port of this machine and posts an invented episode to it.",
    )
    which = demo.add_mutually_exclusive_group()
    which.add_argument("--all", action="store_true", help="review every demo episode, and print all of each review")
    which.add_argument("--only", metavar="NAME", help="review this demo episode, and print all of its review")
    demo.add_argument("--once", action="store_true", help="end after the last review")
    demo.set_defaults(run=_run)


def _run(arguments: argparse.Namespace) -> int:
    import requests

    from service.server import process

    episodes = {
        Path(each["file"]).stem: each for each in json.loads((demo_directory() / "index.json").read_text("utf-8"))
    }
    if arguments.only is not None and arguments.only not in episodes:
        return failed(f"no demo episode has this name; there are: {', '.join(episodes)}")
    names = tuple(episodes) if arguments.all else (arguments.only or SHOWN,)
    # Only what goes wrong: the lines of a healthy server would run through the reviews.
    overrides = {f"{PREFIX}LOG_LEVEL": "warning", f"{PREFIX}WORKERS": "1"}
    try:
        with _sigterm_as_ctrl_c(), process.running(overrides) as (base, child), process.session() as http:
            print(f"The service is running. Its start page: {base}/\n", flush=True)
            titles = _titles(http, base)
            for name in names:
                document = _review(http, base, demo_directory() / f"{name}.json")
                heading = f"{episodes[name]['title']} ({episodes[name]['file']})"
                laid_out = screen.review if arguments.all or arguments.only else _most_urgent
                print(laid_out(heading, document, titles, episodes[name]["story"]), flush=True)
            print(_what_next(base, demo_directory() / f"{names[-1]}.json"))
            if arguments.once:
                print("The service ends now; without --once it stays up until Ctrl-C.")
                return OK
            print("The service stays up. Ctrl-C ends it.", flush=True)
            return _wait(child)
    except KeyboardInterrupt:
        print()
    except process.NotStarted as error:
        return failed(str(error))
    except requests.HTTPError as error:
        return failed(f"the service answered {error.response.status_code} to a request of the demo")
    except requests.RequestException as error:
        return failed(f"the service did not answer: {type(error).__name__}")
    return OK


@contextmanager
def _sigterm_as_ctrl_c() -> Iterator[None]:
    """Who ends the demo by its process id ends its service too: in the background, Ctrl-C does not reach it."""
    before = signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


def _titles(http: requests.Session, base: str) -> screen.Titles:
    answer = http.get(f"{base}/v1/rules", timeout=30)
    answer.raise_for_status()
    return {rule["id"]: (rule["phase"], rule["title"]) for rule in answer.json()["rules"]}


def _review(http: requests.Session, base: str, episode: Path) -> dict[str, Any]:
    answer = http.post(f"{base}/v1/reviews", episode.read_bytes(), headers={"Content-Type": _JSON}, timeout=30)
    answer.raise_for_status()
    return dict(answer.json())


def _most_urgent(heading: str, document: Mapping[str, Any], titles: screen.Titles, story: str) -> str:
    """Its gravest findings, and how much more it holds: in ``_MOST_LINES`` lines, unless what to tell now takes more."""
    shown = list(document["findings"])
    text = screen.review(heading, document, titles, story)
    while shown and text.count("\n") > _MOST_LINES:
        part = {
            **document,
            "findings": shown,
            "unjudged": [entry for entry in document["unjudged"] if entry["severity"] == "critical"],
            **{name: [] for name in ("accepted", "not_assessable", "off", "notices")},
        }
        text = f"{screen.review(heading, part, titles, story)}\n{_left_out(document, shown)}\n"
        shown.pop()
    return text


def _left_out(document: Mapping[str, Any], shown: list[Mapping[str, Any]]) -> str:
    more = [finding for finding in document["findings"] if finding not in shown]
    unjudged = [entry for entry in document["unjudged"] if entry["severity"] != "critical"]
    unknown = document["summary"]["not_assessable"]
    parts = [
        f"{count(len(more), 'finding')} ({severity_counts(more)})" if more else "",
        f"{count(len(unjudged), 'question')} unjudged ({severity_counts(unjudged)})" if unjudged else "",
        f"{count(len(document['accepted']), 'accepted finding')}" if document["accepted"] else "",
        f"{count(unknown, 'rule')} that cannot be told from this record" if unknown else "",
        f"{count(len(document['off']), 'rule')} switched off" if document["off"] else "",
        count(len(document["notices"]), "notice") if document["notices"] else "",
    ]
    text = f"Not shown here: {', '.join(filter(None, parts))}. All of it: restraint-review demo --only {SHOWN}"
    return textwrap.fill(text, screen.width(), break_on_hyphens=False)


def _what_next(base: str, episode: Path) -> str:
    return (
        "What to try next:\n"
        f"  in a browser               {base}/ (a file of yours, or a demo episode)\n"
        f"  every rule, with sources   {base}/v1/rules\n"
        f"  FHIR and NEMSIS            {base}/v1/formats\n"
        f"  the contract               {base}/openapi.yaml\n"
        f"  every demo episode         restraint-review demo --all\n"
        f"  from a program             curl -H 'Content-Type: {_JSON}' --data-binary @{episode} {base}/v1/reviews\n"
    )


def _wait(child: subprocess.Popen[bytes]) -> int:
    while child.poll() is None:
        time.sleep(0.5)
    return failed("the service has ended by itself")
