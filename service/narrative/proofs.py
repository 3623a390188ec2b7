"""What the examples of the families show: a pattern that none proves, and an innocent sentence that is not."""

from __future__ import annotations

from .reader import AFFIRMED, Reader


def slips(reader: Reader) -> list[str]:
    """One line for every pattern, proof and innocent sentence that does not hold, as its file names it."""
    out = []
    for name, family in reader.families.items():
        shown: set[str] = set()
        for text in family.proves:
            proved = {pattern for of, pattern in reader.patterns_in(text) if of == name}
            shown |= proved
            if not proved:
                out.append(f"{name}: proves: {text!r}: no pattern finds it")
        out += [
            f"{name}: patterns: {pattern!r}: no example proves it"
            for pattern in family.patterns
            if pattern not in shown
        ]
        for text in family.innocent:
            found = [h.pattern for h in reader.read(text) if h.family == name and h.assertion == AFFIRMED]
            out += [f"{name}: innocent: {text!r}: found by {pattern!r}" for pattern in found]
    return out
