"""Defects with labels, put into clean episodes one or several at a time.

A defect changes a record as a crew's real slip or act would and names the
rules that have to find it, and those that may find something too because of the
times drawn. The labels were written from the published rows before the first
run; that run showed about a tenth of them to be slips of the label or of the
change (a reading that answers the danger, a second duty broken by the same
act), and those were put right by hand, so the figures say how well rulebook
and labels agree, not how a stranger's labels would.
"""

from tests.corpora.defects import acts, charted, conflicts, course, drugs, left_out  # noqa: F401 - each registers its own
from tests.corpora.defects.core import DEFECTS, Defect
from tests.corpora.defects.inject import Injected, inject, several, singles

__all__ = ["DEFECTS", "Defect", "Injected", "inject", "several", "singles"]
