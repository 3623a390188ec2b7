"""Every rule against its own examples, its limits and its mutants: what ``restraint-review rules test`` runs.

A rule file carries the proof of itself. Beside the examples with facts (both
deciders) and the examples with a patch of the exemplary episode (the whole
way), the examples must notice when a condition is changed.
"""

from __future__ import annotations

import copy
import json
from collections.abc import Collection, Iterable, Iterator
from dataclasses import replace
from typing import Any

from service.engine.evaluator import compile_rule
from service.pipeline import Pipeline
from service.problems import Rejected, pointer_order
from service.resources import demo_directory
from service.rulebook.examples import FactExample, fact_examples
from service.rulebook.rule import STATE_OPS, Group, Leaf, Rule

_OPPOSITE = {"eq": "ne", "ne": "eq", "lt": "ge", "ge": "lt", "le": "gt", "gt": "le"}
_EDGE = {"lt": "le", "le": "lt", "gt": "ge", "ge": "gt"}


def exemplary() -> dict[str, Any]:
    """The episode that patches start from."""
    return dict(json.loads((demo_directory() / "exemplary.json").read_text(encoding="utf-8")))


def apply_patch(document: dict[str, Any], operations: Iterable[dict[str, Any]]) -> dict[str, Any]:
    """RFC 6902 add, remove and replace. Raises KeyError, IndexError or ValueError where the path leads nowhere."""
    out = copy.deepcopy(document)
    for operation in operations:
        parts = operation["path"].split("/")[1:]
        target: Any = out
        for part in parts[:-1]:
            target = target[int(part)] if isinstance(target, list) else target[part]
        last, op = parts[-1], operation["op"]
        if isinstance(target, list):
            if op == "add":
                target.insert(len(target) if last == "-" else int(last), operation["value"])
            elif op == "remove":
                del target[int(last)]
            else:
                target[int(last)] = operation["value"]
        elif op == "remove":
            del target[last]
        elif op in ("add", "replace"):
            if op == "replace" and last not in target:
                raise KeyError(last)
            target[last] = operation["value"]
        else:
            raise ValueError(op)
    return out


def deletions(document: dict[str, Any], path: str) -> list[dict[str, Any]]:
    """The patch that deletes a ``requires`` path, ``*`` standing for every item of a list."""

    def expand(value: Any, parts: list[str], at: str) -> Iterator[str]:
        if not parts:
            yield at
        elif parts[0] == "*":
            for index in range(len(value)):
                yield from expand(value[index], parts[1:], f"{at}/{index}")
        elif isinstance(value, dict) and parts[0] in value:
            yield from expand(value[parts[0]], parts[1:], f"{at}/{parts[0]}")

    found = list(expand(document, path.split("/")[1:], ""))
    return [{"op": "remove", "path": at} for at in reversed(found)]


def _variants(group: Group) -> Iterator[tuple[str, Group]]:
    """The condition with one leaf negated, moved at its limit, or dropped."""
    for number, term in enumerate(group.terms):

        def put(new: Leaf | Group | None, number: int = number) -> Group:
            terms = [*group.terms[:number], *([] if new is None else [new]), *group.terms[number + 1 :]]
            return Group(group.mode, tuple(terms))

        if isinstance(term, Group):
            for name, inner in _variants(term):
                yield name, put(inner if inner.terms else None)
            continue
        if term.op in _OPPOSITE:
            yield f"{term.attribute} negated", put(Leaf(term.attribute, _OPPOSITE[term.op], term.value))
        if term.op in _EDGE:
            yield f"{term.attribute} moved at its limit", put(Leaf(term.attribute, _EDGE[term.op], term.value))
        if len(group.terms) > 1:
            yield f"{term.attribute} dropped", put(None)


def surviving_mutants(rule: Rule, examples: list[FactExample]) -> list[str]:
    """Changes of the conditions that no example notices."""
    out = []
    for part in ("applies", "fails"):
        for name, _ in _variants(getattr(examples[0].bound, part)):
            noticed = False
            for example in examples:
                group = dict(_variants(getattr(example.bound, part))).get(name)
                if group is None:
                    continue
                changed = (
                    replace(example.bound, applies=group) if part == "applies" else replace(example.bound, fails=group)
                )
                try:
                    noticed |= compile_rule(changed).outcome(example.fact) != example.expect
                except Exception:  # noqa: BLE001 - a condition that cannot be evaluated is noticed
                    noticed = True
            if not noticed:
                out.append(f"{part}: {name}")
    return out


def _reachable(rule: Rule, examples: list[FactExample]) -> list[str]:
    """Outcomes the rule should show and no example does."""
    shown = {e.expect for e in examples} | {e["expect"] for e in rule.raw["examples"]}  # type: ignore[attr-defined]
    wanted = {"finding", "clear", "not_applicable"}
    if any(leaf.op not in STATE_OPS for leaf in rule.applies_when.leaves() + rule.fails_when.leaves()):
        wanted.add("not_assessable")
    return sorted(wanted - shown)


def _whole_way(pipeline: Pipeline, rule: Rule, base: dict[str, Any]) -> list[str]:
    failures = []
    patched = [e for e in rule.raw["examples"] if "patch" in e]  # type: ignore[attr-defined]
    if not any(e["expect"] == "finding" for e in patched):
        failures.append("no example of the whole way that ends in a finding")
    for example in patched:
        try:
            body = json.dumps(apply_patch(base, example["patch"])).encode()
            review = pipeline.review(body, "application/json", "default")
        except (KeyError, IndexError, ValueError, TypeError) as error:
            failures.append(f"{example['name']}: the patch leads nowhere ({type(error).__name__})")
            continue
        except Rejected as error:
            failures.append(f"{example['name']}: refused, {[(e.pointer, e.code) for e in error.errors]}")
            continue
        if review.outcomes[rule.id] != example["expect"]:
            failures.append(f"{example['name']}: should be {example['expect']}, is {review.outcomes[rule.id]}")
        named = {place.pointer for one in review.found.get(rule.id, ()) for place in one.places}
        # A place below the one expected is as good: it is the same item, more exactly.
        missing = {p for p in example.get("pointers", []) if not any(n == p or n.startswith(f"{p}/") for n in named)}
        if example["expect"] == "finding" and missing:
            failures.append(f"{example['name']}: does not point at {sorted(missing)} but at {sorted(named)}")
    return failures


def _owned(pipeline: Pipeline, rule: Rule, base: dict[str, Any]) -> list[str]:
    """Deleting what the rule owns from the exemplary episode gives its finding and no other."""
    failures = []
    together: list[dict[str, Any]] = []
    for path in rule.requires:
        patch = deletions(base, path)
        if not patch:
            failures.append(f"requires {path}: the exemplary episode does not have it")
        together += patch
        found = _found(pipeline, apply_patch(base, patch))
        if not found <= {rule.id}:
            failures.append(f"requires {path}: deleting it alone gives {sorted(found)}")
    if rule.requires and not failures:
        # Deeper places first, so that a path still leads somewhere when its turn comes.
        ordered = sorted(together, key=lambda step: pointer_order(step["path"]), reverse=True)
        found = _found(pipeline, apply_patch(base, ordered))
        if found != {rule.id}:
            failures.append(f"requires: deleting all of them gives {sorted(found) or 'nothing'}")
    return failures


def _found(pipeline: Pipeline, episode: dict[str, Any]) -> set[str]:
    review = pipeline.review(json.dumps(episode).encode(), "application/json", "default")
    return set(review.found)


def check_rule(pipeline: Pipeline, rule: Rule, base: dict[str, Any]) -> list[str]:
    """Everything that can be said against one rule, one line a failure."""
    try:
        examples = list(fact_examples(rule, pipeline.rulebook.vocabulary))
    except ValueError as error:
        return [str(error)]
    if not examples:
        return ["no example with facts"]
    failures = [
        f"{e.name}: should be {e.expect}, is {got}"
        for e in examples
        if (got := compile_rule(e.bound).outcome(e.fact)) != e.expect
    ]
    failures += [f"no example is {outcome}" for outcome in _reachable(rule, examples)]
    failures += [f"no example notices: {name}" for name in surviving_mutants(rule, examples)]
    failures += _whole_way(pipeline, rule, base)
    failures += _owned(pipeline, rule, base)
    return failures


def run(pipeline: Pipeline, ids: Collection[str]) -> list[str]:
    """Check the rules with these ids, and all examples through both deciders; one line a failure."""
    base = exemplary()
    failures = pipeline.self_test()
    for rule in pipeline.rulebook.rules:
        if rule.id in ids:
            failures += [f"{rule.id}: {line}" for line in check_rule(pipeline, rule, base)]
    return list(dict.fromkeys(failures))  # an example that cannot be read is found by both
