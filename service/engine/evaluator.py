"""The three-valued evaluator: decides a rule for a fact, and says what decided it. It defines what a rule means.

A term is True, False or None (unknown). A value operator is unknown unless
the attribute is recorded; a state operator is unknown when the state is
``not_collected``. ``all`` and ``any`` follow the strong three-valued logic of
S. C. Kleene, Introduction to Metamathematics (1952), section 64.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

from service.facts.fact import NOT_COLLECTED, Fact
from service.rulebook.rule import STATE_OPS, BoundRule, Group, Leaf

Truth = bool | None
Term = Callable[[Fact], Truth]

ERROR = "error"
FINDING = "finding"
NOT_ASSESSABLE = "not_assessable"
CLEAR = "clear"
NOT_APPLICABLE = "not_applicable"

#: A rule's outcome is the first of these that any of its facts has.
OUTCOME_ORDER = (ERROR, FINDING, NOT_ASSESSABLE, CLEAR, NOT_APPLICABLE)

# One closure for each operator, because a call of the operator inside one closure for all would take as long again.
_VALUE_LEAF: dict[str, Callable[[str, Any], Term]] = {
    "eq": lambda name, limit: lambda fact: None if (v := fact.values.get(name)) is None else v == limit,
    "ne": lambda name, limit: lambda fact: None if (v := fact.values.get(name)) is None else v != limit,
    "lt": lambda name, limit: lambda fact: None if (v := fact.values.get(name)) is None else v < limit,
    "le": lambda name, limit: lambda fact: None if (v := fact.values.get(name)) is None else v <= limit,
    "gt": lambda name, limit: lambda fact: None if (v := fact.values.get(name)) is None else v > limit,
    "ge": lambda name, limit: lambda fact: None if (v := fact.values.get(name)) is None else v >= limit,
}


@dataclass(frozen=True, slots=True)
class CompiledTerm:
    """One group or leaf as a closure over a fact, with its terms."""

    truth: Term
    term: Group | Leaf
    nodes: tuple[CompiledTerm, ...] = ()


@dataclass(frozen=True, slots=True)
class CompiledRule:
    """One rule as two nodes; the truth of each is True, False or None.

    ``proof``: the leaves that decide a finding whatever the fact is (all of
    them, in rules without ``any``), None where that depends on the fact.
    """

    applies: CompiledTerm
    fails: CompiledTerm
    proof: tuple[Leaf, ...] | None = None

    def outcome(self, fact: Fact) -> str:
        """``finding``, ``clear``, ``not_applicable`` or ``not_assessable`` for one fact of the rule's kind."""
        applies = self.applies.truth(fact)
        if applies is False:
            return NOT_APPLICABLE
        if applies is None:
            return NOT_ASSESSABLE
        fails = self.fails.truth(fact)
        if fails is None:
            return NOT_ASSESSABLE
        return FINDING if fails else CLEAR

    def unknowns(self, fact: Fact) -> tuple[tuple[str, str], ...]:
        """The (attribute, state) pairs that leave the rule ``not_assessable``, each once, in reading order.

        They come from ``applies`` when that is unknown, else from ``fails``; empty
        for any other outcome. A leaf whose group is decided without it is left
        out: knowing it would change nothing.
        """
        applies = self.applies.truth(fact)
        if applies is False:
            return ()
        node = self.applies if applies is None else self.fails
        if applies is not None and node.truth(fact) is not None:
            return ()
        leaves = (leaf for leaf, _ in _deciding(node, fact, None))
        return tuple(dict.fromkeys((leaf.attribute, fact.state(leaf.attribute)) for leaf in leaves))

    def proving(self, fact: Fact) -> Iterable[Leaf]:
        """The leaves that decide a finding, in reading order; both nodes are true then."""
        if self.proof is not None:
            return self.proof
        return [leaf for node in (self.applies, self.fails) for leaf, _ in _deciding(node, fact, True)]

    def deciding(self, fact: Fact) -> list[tuple[Leaf, Truth]]:
        """The leaves that decide the rule's outcome for one fact, with their truth, in reading order.

        Those of ``applies``, and of ``fails`` too where ``applies`` is true.
        """
        applies = self.applies.truth(fact)
        found = _deciding(self.applies, fact, applies)
        if applies is True:
            found += _deciding(self.fails, fact, self.fails.truth(fact))
        return found


def compile_rule(bound: BoundRule) -> CompiledRule:
    """Turn a bound rule into closures. Raises KeyError on an unknown operator."""
    groups = (bound.applies, bound.fails)
    proof = None if any(map(_has_choice, groups)) else (*bound.applies.leaves(), *bound.fails.leaves())
    return CompiledRule(compile_term(bound.applies), compile_term(bound.fails), proof)


def _has_choice(group: Group) -> bool:
    inner = (term for term in group.terms if isinstance(term, Group))
    return (group.mode == "any" and len(group.terms) != 1) or any(map(_has_choice, inner))


def compile_term(term: Group | Leaf) -> CompiledTerm:
    """Turn a group or leaf into closures. Raises KeyError on an unknown operator."""
    if isinstance(term, Leaf):
        if term.op in STATE_OPS:
            return CompiledTerm(_state_leaf(term.attribute, term.op), term)
        return CompiledTerm(_VALUE_LEAF[term.op](term.attribute, term.value), term)
    nodes = tuple(compile_term(each) for each in term.terms)
    terms = tuple(node.truth for node in nodes)
    return CompiledTerm(
        terms[0] if len(terms) == 1 else _all(terms) if term.mode == "all" else _any(terms), term, nodes
    )


def _deciding(node: CompiledTerm, fact: Fact, value: Truth) -> list[tuple[Leaf, Truth]]:
    """The leaves that make a node what it is: ``value``."""
    # A Kleene group takes the value of exactly those terms that decide it:
    # all of them for a true ``all`` or a false ``any``, else the ones that share its value.
    every = isinstance(node.term, Group) and value is (node.term.mode == "all")
    found: list[tuple[Leaf, Truth]] = []
    for each in node.nodes:
        if every or each.truth(fact) is value:
            if isinstance(each.term, Leaf):
                found.append((each.term, value))
            else:
                found += _deciding(each, fact, value)
    return found


def _all(terms: tuple[Term, ...]) -> Term:
    def evaluate(fact: Fact) -> Truth:
        result: Truth = True
        for term in terms:
            value = term(fact)
            if value is False:
                return False
            if value is None:
                result = None
        return result

    return evaluate


def _any(terms: tuple[Term, ...]) -> Term:
    def evaluate(fact: Fact) -> Truth:
        result: Truth = False
        for term in terms:
            value = term(fact)
            if value is True:
                return True
            if value is None:
                result = None
        return result

    return evaluate


def _state_leaf(attribute: str, op: str) -> Term:
    def evaluate(fact: Fact) -> Truth:
        state = fact.state(attribute)
        return None if state == NOT_COLLECTED else state == op

    return evaluate
