"""Rules and what is built of them, for commands: whatever is wrong with them ends the command with a line each."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from service import memory
from service.resources import rules_directory
from service.settings import Settings

from .exit_status import CommandFailed

if TYPE_CHECKING:
    from service.pipeline import Pipeline
    from service.rulebook.load import Rulebook


def rulebook(settings: Settings) -> Rulebook:
    """The rulebook alone, every file of it checked; no profile is compiled. Raises CommandFailed."""
    from service.rulebook.load import RulebookError, load_rulebook

    try:
        with memory.loading():
            return load_rulebook(settings.rules_dir or rules_directory(), settings.extra_rules_dir)
    except RulebookError as error:
        raise CommandFailed(*error.lines) from None


def pipeline(settings: Settings, extra: Path | None = None, profiles: Collection[str] | None = None) -> Pipeline:
    """What reviews under these profiles (all). ``extra``: in place of the settings' own. Raises CommandFailed."""
    from service.pipeline import Pipeline

    with faults_told(), memory.loading():
        return Pipeline.build(
            settings.rules_dir,
            extra or settings.extra_rules_dir,
            settings.mappings_dir,
            settings.nemsis_xsd_dir,
            profiles=profiles,
        )


@contextmanager
def faults_told() -> Iterator[None]:
    """What building a pipeline may raise, as CommandFailed."""
    from service.engine.compile import EngineError
    from service.formats.nemsis.mapping import MappingError
    from service.formats.nemsis.xsd import SchemaError
    from service.pipeline import UnknownProfile
    from service.rulebook.load import RulebookError

    try:
        yield
    except (RulebookError, MappingError) as error:
        raise CommandFailed(*error.lines) from None
    except (EngineError, SchemaError) as error:
        raise CommandFailed(str(error)) from None
    except UnknownProfile:
        raise CommandFailed(
            "no profile has this id; `restraint-review profiles list` shows those that are there"
        ) from None
