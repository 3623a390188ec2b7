"""What a review says, in a form that a test can hold against a table."""

from __future__ import annotations

from typing import Any

from service.pipeline import Pipeline
from service.review.build import Wanted
from tests.support.episodes import Document, encoded

#: Members of an instance, those that an acceptance adds included.
OF_INSTANCE = ("message", "span", "pointers", "fingerprint", "acceptable", "disputed", "late", "reason", "by", "at")
ABOVE_INFO = ("critical", "warning")


def review(pipeline: Pipeline, document: Document) -> Document:
    """The review of a record under the default profile."""
    return dict(pipeline.review(encoded(document), "application/json", "default").document)


def accounts(pipeline: Pipeline, document: Document) -> list[dict[str, Any]]:
    """The outcome of every rule for a record."""
    made = pipeline.review(encoded(document), "application/json", "default", Wanted(accounts=True))
    return list(made.document["accounts"])


def instances(answer: Document, member: str = "findings") -> list[dict[str, Any]]:
    """Every instance of every finding, with the members of its finding."""
    return [
        {**{name: value for name, value in finding.items() if name != "instances"}, **instance}
        for finding in answer[member]
        for instance in finding["instances"]
    ]


def found(pipeline: Pipeline, document: Document, *severities: str) -> list[str]:
    """Instances of findings of the given severities as "RULE severity", in the order of the ids."""
    found = instances(review(pipeline, document))
    return sorted(f"{f['rule']['id']} {f['severity']}" for f in found if f["severity"] in severities)


def above_info(pipeline: Pipeline, document: Document) -> list[str]:
    """Everything found that is worse than info."""
    return found(pipeline, document, *ABOVE_INFO)


def infos(pipeline: Pipeline, document: Document) -> list[str]:
    """The ids of the rules that found something for information."""
    return [line.split()[0] for line in found(pipeline, document, "info")]
