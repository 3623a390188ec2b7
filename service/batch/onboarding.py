"""What a set of sample charts tells of the system that they come from: what it never sends, and what that switches off."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from service.checkpoint import never
from service.episode import declaration
from service.episode.absence import NOT_COLLECTED, Absent
from service.episode.pointers import member_paths
from service.facts import events
from service.formats.media_types import FORMATS, JSON, NEMSIS, media_type_of
from service.formats.nemsis.read import ReadChart
from service.intake.not_collected import PATHS
from service.pipeline import Pipeline
from service.problems import Rejected
from service.review.build import CAUTIONS
from service.rulebook.rule import BoundRule

from . import lines

#: Values of a member from which on it is worth saying that they are all the same.
ENOUGH = 10


#: Every member of the record, in story order -> what it may hold.
MEMBERS = {path: member.kind for path, member in member_paths()}


class Chart(NamedTuple):
    """One sample. ``line``: of its file, from 1; ``source``: its bytes, or what reads it out of a document."""

    file: str
    line: int
    media_type: str
    source: bytes | ReadChart


def charts(pipeline: Pipeline, file: str, body: bytes) -> Iterator[Chart]:
    """The charts of a file: a document, one chart, or one on each line."""
    media_type = media_type_of(body)
    if media_type == NEMSIS:
        for number, source in enumerate(lines.charts(pipeline, body, media_type), 1):
            yield Chart(file, number, media_type, source)
    elif _is_one(body):
        yield Chart(file, 1, media_type, body)
    else:
        for number, line in lines.split(body):
            yield Chart(file, number, media_type_of(line), line)


def _is_one(body: bytes) -> bool:
    try:
        json.loads(body)
    except ValueError:
        return b"\n" not in body.strip()
    return True


@dataclass(slots=True)
class _Seen:
    """One member over all charts. ``asked``: objects that could have held it; ``sent``: those that did."""

    asked: int = 0
    sent: int = 0
    values: Counter[Any] = field(default_factory=Counter)


@dataclass(slots=True)
class Samples:
    """What was seen in the charts, and what came of reviewing them."""

    profile: str
    formats: Counter[str] = field(default_factory=Counter)
    refused: list[dict[str, Any]] = field(default_factory=list)
    members: dict[str, _Seen] = field(default_factory=lambda: {path: _Seen() for path in MEMBERS})
    own: list[dict[str, Any]] = field(default_factory=list)
    items: Counter[str] = field(default_factory=Counter)
    without_id: Counter[str] = field(default_factory=Counter)

    def add(self, pipeline: Pipeline, chart: Chart) -> None:
        """Read one chart and take in what it holds."""
        try:
            if isinstance(chart.source, bytes):
                intake = pipeline.read(chart.source, chart.media_type)
            else:
                intake = chart.source(never)
        except Rejected as rejected:
            places = [item.pointer or item.location or "" for item in rejected.errors[:1]]
            self.refused.append(
                {"file": chart.file, "line": chart.line, "code": rejected.code, "place": "".join(places)}
            )
            return
        self.formats[next(name for name, known in FORMATS.items() if known == chart.media_type)] += 1
        if chart.media_type == JSON and isinstance(chart.source, bytes):
            self.own.append(json.loads(chart.source))
        self._look(intake.episode, "")

    def _look(self, node: declaration.Node, path: str) -> None:
        for member in declaration.members(type(node)):
            here = f"{path}/{member.name}"
            seen, value = self.members[here], getattr(node, member.name)
            seen.asked += 1
            if isinstance(value, Absent):
                seen.sent += value.state == "declined"
                continue
            seen.sent += 1
            if isinstance(member.kind, declaration.Part):
                self._look(value, here)
            elif isinstance(member.kind, declaration.Items):
                for item in value:
                    self.items[here] += 1
                    self.without_id[here] += isinstance(getattr(item, "id", NOT_COLLECTED), Absent)
                    self._look(item, f"{here}/*")
            elif isinstance(member.kind, declaration.Codes):
                seen.values.update(value)
            elif isinstance(member.kind, _VARYING) and len(seen.values) < _MOST_VALUES:
                seen.values[value] += 1

    @property
    def amount(self) -> int:
        """Charts that could be read."""
        return sum(self.formats.values())


_VARYING = (declaration.Code, declaration.Flag, declaration.Int, declaration.Num)
#: Different values of a member that are kept apart: no more than the longest list of words.
_MOST_VALUES = 200


# ---------------------------------------------------------------- what critical rules read


#: Attribute that has a value where its members are left out -> those members: this crew put a device on unless the
#: record says otherwise, so a sender without them can hide what others put on.
_TAKEN_FOR_GRANTED = {
    ("device", "applied_here"): ("/application/limbs/*/applied_by", "/application/limbs/*/taken_over")
}


def critical_reads(pipeline: Pipeline, profile: str) -> dict[str, list[BoundRule]]:
    """Path of the record -> the critical rules that read it, or something in it."""
    kinds, found = pipeline.rulebook.vocabulary.kinds, dict[str, list[BoundRule]]()
    for bound in pipeline.bound_rules(profile):
        if bound.severity != "critical":
            continue
        about = kinds[bound.rule.about]
        paths = {about.drawn_from}
        codes = set[str]()
        for leaf in (*bound.rule.applies_when.leaves(), *bound.rule.fails_when.leaves()):
            attribute = about.attributes[leaf.attribute]
            paths.update(attribute.inputs)
            paths.update(_TAKEN_FOR_GRANTED.get((about.name, leaf.attribute), ()))
            if (about.name, leaf.attribute) == ("event", "code"):
                codes |= {str(leaf.value)} if leaf.op == "eq" else attribute.values
        if about.name == "event":
            every = about.attributes["code"].values
            told = {path for code in codes or every for path in events.told_at(code)}
            paths |= {path for path in PATHS if path in told or any(path.startswith(f"{whole}/*/") for whole in told)}
        for path in sorted(_with_parents(paths)):
            found.setdefault(path, []).append(bound)
    return found


def _with_parents(paths: Iterable[str]) -> set[str]:
    out = set()
    for path in paths:
        while path:
            out.add(path.removesuffix("/*"))
            path = path.rpartition("/")[0]
    return out


# ---------------------------------------------------------------- the report


def document(pipeline: Pipeline, samples: Samples) -> dict[str, Any]:
    """The report as plain data. Of what was charted it holds words of the contract and counts, nothing else."""
    critical = critical_reads(pipeline, samples.profile)
    never_sent = _never_sent(samples.members)
    confirm = [path for path in never_sent if path in critical]
    listed = [path for path in never_sent if path not in critical]
    return {
        "charts": {"read": samples.amount, "formats": dict(samples.formats), "refused": samples.refused},
        "versions": lines.versions(pipeline, samples.profile),
        "never_sent": never_sent,
        "not_collected": listed,
        "confirm": [
            {
                "path": path,
                "rules": [{"id": b.rule.id, "name": b.rule.name, "title": b.rule.title} for b in critical[path]],
            }
            for path in confirm
        ],
        "no_item": [
            path
            for path, seen in samples.members.items()
            if isinstance(MEMBERS[path], declaration.Items) and seen.sent and not samples.items[path]
        ],
        "effect": _effect(pipeline, samples, listed),
        "words_never_used": list(_words_never_used(samples.members)),
        "never_vary": list(_never_vary(samples.members)),
        "items_without_ids": [
            {"path": path, "items": samples.items[path], "without": without}
            for path, without in samples.without_id.items()
            if without
        ],
        "cautions": list(CAUTIONS),
    }


def _never_sent(members: Mapping[str, _Seen]) -> list[str]:
    """The paths that no chart holds, without those inside them; an entry's own id and time of writing are asked of nobody."""
    asked = (path for path in PATHS if path.rpartition("/")[2] not in declaration.NOT_ASKED)
    return [path for path in asked if members[path].asked and not members[path].sent]


def _words_never_used(members: Mapping[str, _Seen]) -> Iterator[dict[str, Any]]:
    for path, seen in members.items():
        kind = MEMBERS[path]
        if isinstance(kind, declaration.Code | declaration.Codes) and seen.values:
            unused = [word for word in kind.words if word not in seen.values]
            if unused:
                yield {"path": path, "words": unused}


def _never_vary(members: Mapping[str, _Seen]) -> Iterator[dict[str, Any]]:
    """Members with one value in all charts: a default that nobody changes looks like this. A number is not repeated."""
    for path, seen in members.items():
        if len(seen.values) == 1 and isinstance(MEMBERS[path], _VARYING):
            ((value, times),) = seen.values.items()
            if times >= ENOUGH:
                said = {"value": value} if isinstance(value, str | bool) else {}
                yield {"path": path, "times": times, **said}


def _effect(pipeline: Pipeline, samples: Samples, listed: list[str]) -> dict[str, Any]:
    """Reviews of the charts in our own JSON, as they are and with the list: findings, and critical rules that fall silent."""
    before, after = Counter[str](), Counter[str]()
    lost: Counter[str] = Counter()
    for body in samples.own:
        told = {**body, "not_collected": sorted({*body.get("not_collected", []), *listed})}
        found = []
        for each, count in ((body, before), (told, after)):
            review = pipeline.review(json.dumps(each).encode(), JSON, samples.profile).document
            count.update(finding["severity"] for finding in review["findings"])
            found.append({f["rule"]["id"] for f in review["findings"] if f["severity"] == "critical"})
        lost.update(found[0] - found[1])
    return {
        "charts": len(samples.own),
        "before": dict(sorted(before.items())),
        "after": dict(sorted(after.items())),
        "critical_lost": [{"rule": rule, "charts": n} for rule, n in sorted(lost.items())],
    }
