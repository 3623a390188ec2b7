"""Facts about what the narrative says."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from service.narrative.phrases import Hit

from .builder import Draft
from .fact import place
from .timeline import Timeline


def phrases(line: Timeline, found: Mapping[str, Sequence[Hit]]) -> Iterator[Draft]:
    """One fact a family with hits."""
    for family, hits in found.items():
        draft = Draft(
            "phrase",
            family,
            tuple(place(line.episode, "narrative", chars=(hit.start, hit.end)) for hit in hits),
        )
        draft.put("family", family)
        draft.put("hits", len(hits))
        draft.put("affirmed", sum(not hit.negated for hit in hits))
        draft.put("quoted", sum(hit.quoted for hit in hits))
        affirmed = tuple(e for e, hit in zip(draft.pointers, hits, strict=True) if not hit.negated)
        if affirmed:
            draft.evidence["affirmed"] = affirmed
        yield draft
