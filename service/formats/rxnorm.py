"""RxNorm codes beyond the ingredients that an episode can name, for every reader: code -> (our word, source).

``read``: the code stands in the medication list of NEMSIS 3.5.1 or in the value
sets of the IHE Paramedicine Summary of Care. ``from memory``: it was not
confirmed and wants a terminology owner's look.
"""

from __future__ import annotations

READ = "read"
MEMORY = "from memory"

Codes = dict[str, tuple[str, str]]


def _codes(source: str, **words: str) -> Codes:
    return {code: (word, source) for word, codes in words.items() for code in codes.split()}


#: Products (clinical drugs) charted in place of their ingredient.
PRODUCTS = _codes(READ, midazolam="311700 311702 1666798 1666800 1666814 1666823", ketamine="238082 238083 238084")
#: Drugs that answer a danger: an action, not a dose.
ANSWERING = _codes(READ, reversal_given="7242", dextrose="4850 1795477 260258 237653", oxygen_given="7806") | _codes(
    MEMORY, reversal_given="4457", glucagon="4832", fluid="9863"
)
#: Drugs that neither sedate nor answer a danger here: left aside, with a notice.
ASIDE = _codes(READ, aside="3264") | _codes(MEMORY, aside="161 435 1191 1223 3616 3628 3992 4917 7512 26225 317361")
