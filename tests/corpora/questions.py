"""What a chart's author is asked: ``python -m tests.corpora.questions [--profile ID] [--written LIST] FILE...``.

A question is a row of the author's checklist: a finding that the author handles. Its members are the places that
are missing, else those that it points at, with ``*`` for indexes. A question is about a danger where its rule is
critical or speaks of a danger that happened (an event, a posture, a device, body weight).

A list of written questions holds JSON lines, ``{"chart": ..., "path": ..., "words": ..., "danger": true}``: the file
name of the chart without its ending, the member as a pointer or with ``*``, what the reader wrote, and ``danger``
where it is about one. A written question is asked where one of the row's members is the same path, lies in it, or
holds it. ``--written`` may be given for each reader; what two readers wrote about one member counts once.
"""

from __future__ import annotations

import argparse
import json
import statistics
import sys
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from tests.support.pipeline import pipeline


@dataclass(frozen=True)
class Question:
    """One row that the author sees."""

    rule: str
    severity: str
    danger: bool
    members: frozenset[str]
    text: str


@dataclass(frozen=True)
class Written:
    """One question that a reader wrote."""

    chart: str
    path: str
    danger: bool
    words: str


@dataclass
class Shares:
    """How the asked and the written questions meet."""

    written: int = 0
    written_and_asked: int = 0
    asked: int = 0
    asked_and_written: int = 0
    not_asked: list[str] = field(default_factory=list)
    not_written: list[str] = field(default_factory=list)


def member_path(pointer: str) -> str:
    """A pointer with ``*`` in place of indexes and of the entry that is not there."""
    return "/".join("*" if part.isdigit() or part == "-" else part for part in pointer.split("/"))


def same_place(one: str, other: str) -> bool:
    """Whether two member paths are one, or one lies in the other. The whole record is no place."""
    shorter, longer = sorted((one, other), key=len)
    return bool(shorter) and (shorter == longer or longer.startswith(f"{shorter}/"))


def asked(body: bytes, media_type: str, profile: str) -> list[Question]:
    """The questions to the author of one chart."""
    book = pipeline().rulebook
    out = []
    for finding in pipeline().review(body, media_type, profile).document["findings"]:
        if finding["handled_by"] != "author":
            continue
        rule = book.find(finding["rule"]["id"])
        assert rule is not None
        places = [place for instance in finding["instances"] for place in instance["pointers"]]
        lacking = [place["missing"] for place in places if "missing" in place]
        danger = finding["severity"] == "critical" or bool(book.vocabulary.kinds[rule.about].danger)
        members = frozenset(map(member_path, lacking or [place["pointer"] for place in places]))
        out.append(Question(rule.id, finding["severity"], danger, members, finding["message"]))
    return out


def charts(paths: Iterable[Path], profile: str) -> dict[str, list[Question]]:
    """Chart name -> its questions."""
    out = {}
    for path in paths:
        body = path.read_bytes()
        if path.suffix == ".xml":
            media_type = "application/xml"
        else:
            fhir = "resourceType" in json.loads(body)
            media_type = "application/fhir+json" if fhir else "application/json"
        out[path.stem] = asked(body, media_type, profile)
    return out


def read_written(paths: Iterable[Path]) -> list[Written]:
    """The questions of all readers, each member of a chart once."""
    out: dict[tuple[str, str], Written] = {}
    for path in paths:
        for line in path.read_text(encoding="utf-8").splitlines():
            if line.strip():
                said = json.loads(line)
                if said.get("none"):
                    continue  # the reader had no question about this chart
                where = member_path(said.get("path") or said["pointer"])
                one = Written(said["chart"], where, bool(said.get("danger")), said.get("words", ""))
                out.setdefault((one.chart, one.path), one)
    return list(out.values())


def shares(found: dict[str, list[Question]], written: Iterable[Written]) -> dict[str, Shares]:
    """Shares of all questions, and of those about a danger apart. A list for a chart that is not there is refused."""
    out: dict[str, Shares] = {"danger": Shares(), "other": Shares()}
    by_chart: dict[str, list[Written]] = defaultdict(list)
    for one in written:
        if one.chart not in found:
            raise SystemExit(f"no chart {one.chart}")
        by_chart[one.chart].append(one)
    for chart, questions in found.items():
        for one in by_chart[chart]:
            meets = any(same_place(one.path, member) for question in questions for member in question.members)
            kept = out["danger" if one.danger else "other"]
            kept.written += 1
            kept.written_and_asked += meets
            if not meets:
                kept.not_asked.append(f"{chart}: {one.path} {one.words}")
        for question in questions:
            meets = any(same_place(one.path, member) for one in by_chart[chart] for member in question.members)
            kept = out["danger" if question.danger else "other"]
            kept.asked += 1
            kept.asked_and_written += meets
            if not meets:
                kept.not_written.append(f"{chart}: {question.rule} {question.text}")
    return out


def _percent(part: int, whole: int) -> str:
    return f"{part} of {whole} ({100 * part / whole:.0f} %)" if whole else "none"


def lines(found: dict[str, list[Question]], written: list[Written], only_shares: bool) -> Iterator[str]:
    """The report as text."""
    rows = [len(questions) for questions in found.values()]
    members = [len(frozenset().union(*(q.members for q in questions))) for questions in found.values()]
    if not only_shares:
        for (chart, questions), distinct in zip(found.items(), members, strict=True):
            yield f"{chart}: {len(questions)} questions, {distinct} members"
            yield from (f"  {q.rule} {q.severity}{' danger' if q.danger else ''}: {q.text}" for q in questions)
    yield (
        f"{len(rows)} charts: questions a chart median {statistics.median(rows):g}, worst {max(rows)}; "
        f"members median {statistics.median(members):g}, worst {max(members)}"
    )
    for name, share in shares(found, written).items() if written else ():
        yield f"{name}: written and asked {_percent(share.written_and_asked, share.written)}"
        yield f"{name}: asked and written {_percent(share.asked_and_written, share.asked)}"
        if not only_shares:
            yield from (f"  written, not asked: {text}" for text in share.not_asked)
            yield from (f"  asked, not written: {text}" for text in share.not_written)


def main(arguments: list[str]) -> None:
    """Print the report."""
    parser = argparse.ArgumentParser(prog="python -m tests.corpora.questions", description="Questions to the author.")
    parser.add_argument("files", nargs="+", type=Path, metavar="FILE")
    parser.add_argument("--profile", default="default")
    parser.add_argument("--written", action="append", default=[], type=Path, metavar="LIST")
    parser.add_argument("--only-shares", action="store_true", help="no chart, no rule and no text: for a sealed half")
    said = parser.parse_args(arguments)
    print("\n".join(lines(charts(said.files, said.profile), read_written(said.written), said.only_shares)))


if __name__ == "__main__":
    main(sys.argv[1:])
