"""The fence around durable-rules: the only module that imports it.

It uses the engine's C module in the one way that is exact, and guards against
what goes wrong otherwise (durable-rules 2.0.28, pinned):

* The package's loop that runs actions swallows exceptions and stops when the
  wall clock steps. So fired rules are taken from the C module here.
* A batch that does not parse ends without an error. So every chunk starts
  with ``begin_``, and counts only when ``end_`` was the last to fire.
* The engine compares ids by a 32-bit hash. So a ruleset has only one state,
  with fixed message ids that are known not to collide.
* Making a state takes as long as deciding a record. So it is kept, and the
  facts are taken back after each evaluation; a state in which one is left, or
  that did not finish, is deleted.
* Deleting a state slot in which nothing has fired frees an uninitialised
  pointer. So every slot fires once before its first deletion.
* One evaluation is many C calls, so a lock keeps them together. Build before
  forking, and fork while no evaluation runs.
"""

from __future__ import annotations

import threading
from collections.abc import Sequence

import durable_rules_engine as engine  # type: ignore[import-not-found,import-untyped,unused-ignore]
from durable.engine import Host  # type: ignore[import-not-found,import-untyped,unused-ignore]

from service.checkpoint import Checkpoint, never
from service.facts.fact import Fact

from .compile import Definitions, EngineError, hashes_differ

#: Facts sent to the engine at once; each chunk has a ``begin_`` and an ``end_`` of its own.
CHUNK = 500

_RULESET = "rs"
_SID = "e"
_BEGIN = f'[{{"id":"begin","sid":"{_SID}","kind":"begin_"}}'
_END = f',{{"id":"end","sid":"{_SID}","kind":"end_"}}]'
_END_FIRED = '{"end_"'
_IDS = tuple(f',{{"id":"{number}","sid":"{_SID}"' for number in range(CHUNK))
_SID_NOT_FOUND = "309"

_lock = threading.Lock()


class NotEvaluated(EngineError):
    """The engine did not finish: there is no result, and no part of one may be used."""


class QuietHost(Host):  # type: ignore[misc,no-any-unimported,unused-ignore]
    """The package's host, without its timer threads."""

    def _run(self) -> None:
        return None


class Fence:
    """One compiled ruleset. Build once and keep: the engine never frees a ruleset."""

    def __init__(self, definitions: Definitions) -> None:
        """Build and warm up. Raises EngineError when the engine does not take the definitions or fails its first use."""
        ids = [str(number) for number in range(CHUNK)]
        if not hashes_differ([*ids, "begin", "end", f"sid-{_SID}"]):
            raise EngineError("message ids share a hash")
        self._definitions = definitions
        rules: dict[str, dict[str, object]] = {
            f"r{number}": {"all": [{"m": condition}], "run": _never}
            for number, condition in enumerate(definitions.conditions)
        }
        # Every fact matches it, so that none counts as unhandled. It waits for 60,000 facts and never fires.
        rules["any_"] = {"all": [{"m": {"$ex": {"kind": 1}}}], "count": 60000, "run": _never}
        rules["end_"] = {"all": [{"m": {"kind": "end_"}}], "pri": 60000, "run": _never}
        try:
            host = QuietHost()
            host.set_rulesets({_RULESET: rules})
            self._handle: int = host.get_ruleset(_RULESET)._handle
        except Exception:  # noqa: BLE001 - reported as an error of our own
            raise EngineError("the engine refused the rules") from None
        with _lock:
            if not _finished(self._drain(_BEGIN + _END)):
                # No delete here: in a slot where nothing fired it would free an uninitialised pointer.
                raise EngineError("the engine failed its first use")
            self._delete_state()

    def fire(self, facts: Sequence[Fact], checkpoint: Checkpoint = never) -> set[tuple[int, int]]:
        """Every (rule number, index of the fact) for which the rule's condition holds.

        Raises EngineError for a fact outside the catalogue and NotEvaluated
        when the engine did not finish; neither error quotes a fact.
        """
        fired: set[tuple[int, int]] = set()  # a set: two true alternatives fire a rule twice
        for start in range(0, len(facts), CHUNK):
            checkpoint()  # never while facts are in the engine
            for message in self._evaluate(self._definitions.write(facts[start : start + CHUNK])):
                # {"r7":{"m":{"id":"12",...
                parts = message.split('"', 8)
                fired.add((int(parts[1][1:]), start + int(parts[7])))
        return fired

    def _evaluate(self, written: list[str]) -> list[str]:
        text = _BEGIN + "".join([id_ + members for id_, members in zip(_IDS, written, strict=False)]) + _END
        messages: list[str] = []
        empty = False
        try:
            with _lock:
                try:
                    messages = self._drain(text)
                    empty = _finished(messages) and self._take_back(text)
                finally:
                    if not empty:
                        self._delete_state()
        except Exception:  # noqa: BLE001 - reported as an error of our own
            # The engine's exceptions can quote facts, so nothing of them goes on, not even as context.
            messages = []
        if not _finished(messages):
            raise NotEvaluated("the engine did not finish the evaluation")
        return messages[:-1]

    def _drain(self, text: str) -> list[str]:
        """Assert one batch and take every fired rule as the engine's own text; empty when the engine refused it."""
        refused, state = engine.assert_facts(self._handle, text)
        messages: list[str] = []
        if refused:
            return messages
        first = engine.start_action_for_state(self._handle, state)
        message = first[1] if first else None
        while message:
            messages.append(message)
            message = engine.complete_and_start_action(self._handle, state)
        return messages

    def _take_back(self, text: str) -> bool:
        """Retract every fact of a batch; whether none is left."""
        engine.retract_facts(self._handle, text)
        return bool(engine.get_facts(self._handle, _SID) == "[]")

    def _delete_state(self) -> None:
        try:
            engine.delete_state(self._handle, _SID)
        except engine.error as error:
            if not str(error).endswith(_SID_NOT_FOUND):  # nothing was asserted
                raise


def _finished(messages: list[str]) -> bool:
    return bool(messages) and messages[-1].startswith(_END_FIRED)


def _never(_context: object) -> None:
    raise AssertionError("fired rules are drained, never run")
