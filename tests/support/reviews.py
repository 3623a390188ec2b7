"""What a review says, in a form that a test can hold against a table."""

from __future__ import annotations

from service.pipeline import Pipeline
from tests.support.episodes import Document, encoded

ABOVE_INFO = ("critical", "warning")


def review(pipeline: Pipeline, document: Document) -> Document:
    """The review of a record under the default profile."""
    return dict(pipeline.review(encoded(document), "application/json", "default").document)


def found(pipeline: Pipeline, document: Document, *severities: str) -> list[str]:
    """Findings of the given severities as "RULE severity", in the order of the ids; one entry a finding."""
    findings = review(pipeline, document)["findings"]
    return sorted(f"{f['rule']['id']} {f['severity']}" for f in findings if f["severity"] in severities)


def above_info(pipeline: Pipeline, document: Document) -> list[str]:
    """Everything found that is worse than info."""
    return found(pipeline, document, *ABOVE_INFO)


def infos(pipeline: Pipeline, document: Document) -> list[str]:
    """The ids of the rules that found something for information."""
    return [line.split()[0] for line in found(pipeline, document, "info")]
