"""The application as the server runs it."""

from __future__ import annotations

import sys

from service import __version__, memory
from service.app import Application, create_app, is_ready
from service.engine.compile import EngineError
from service.formats.nemsis.mapping import MappingError
from service.formats.nemsis.xsd import SchemaError
from service.observe import log, metrics
from service.pipeline import Pipeline, UnknownProfile
from service.rulebook.load import RulebookError
from service.server.gunicorn import NotStarted, serve
from service.settings import PREFIX, Settings, SettingsError, read_settings


def build(settings: Settings) -> Application:
    """Read rules, profiles and mappings and make the application of them. Raises NotStarted."""
    memory.keep_freed_memory()
    try:
        with memory.loading():
            pipeline = Pipeline.build(
                settings.rules_dir,
                settings.extra_rules_dir,
                settings.mappings_dir,
                settings.nemsis_xsd_dir,
                profiles=settings.served_profiles,
            )
            app = create_app(settings, pipeline)
    except UnknownProfile as error:
        raise NotStarted(
            f"{PREFIX}PROFILES or {PREFIX}DEFAULT_PROFILE: no profile of the rulebook has the id {error.args[0]}."
        ) from None
    except (SettingsError, RulebookError, MappingError) as error:
        raise NotStarted(*error.lines) from None
    except (EngineError, SchemaError) as error:
        raise NotStarted(str(error)) from None
    except Exception as error:  # noqa: BLE001 (whatever it is, its text is not written)
        log.crash("not-started", error)
        raise NotStarted from None
    if not is_ready(app):
        raise NotStarted("the rules do not pass their own examples")
    book = pipeline.rulebook
    metrics.runs(builds(pipeline), [rule.id for rule in book.rules])
    log.emit("info", "rules-read", ruleset=f"{book.name} {book.version}", digest=book.digest)
    memory.leave_loaded_objects_alone()
    return app


def builds(pipeline: Pipeline) -> list[tuple[str, str, str, str, str]]:
    """What runs, for the metrics: version, ruleset and its digest, with each profile served and its digest."""
    book = pipeline.rulebook
    ruleset = f"{book.name} {book.version}"
    return [(__version__, ruleset, book.digest, name, book.profile_digests[name]) for name in pipeline.served]


def main() -> None:
    """Serve with the settings of the environment. Exit status 2 for settings that cannot be right, 3 for the rest."""
    try:
        settings = read_settings()
    except SettingsError as error:
        print("\n".join(error.lines), file=sys.stderr)
        raise SystemExit(2) from None
    serve(settings, build)
