"""Facts about what the narrative says."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from service.narrative.phrases import Hit

from .builder import FactBuilder
from .fact import place
from .timeline import Timeline


def phrases(line: Timeline, found: Mapping[str, Sequence[Hit]]) -> Iterator[FactBuilder]:
    """One fact for each family of phrases that has hits in the narrative."""
    for family, hits in found.items():
        fact = FactBuilder(
            "phrase",
            family,
            tuple(place(line.episode, "narrative", chars=(hit.start, hit.end)) for hit in hits),
        )
        fact.set("family", family)
        fact.set("hits", len(hits))
        fact.set("affirmed", sum(not hit.negated for hit in hits))
        fact.set("quoted", sum(hit.quoted for hit in hits))
        affirmed = tuple(e for e, hit in zip(fact.pointers, hits, strict=True) if not hit.negated)
        if affirmed:
            fact.evidence["affirmed"] = affirmed
        yield fact
