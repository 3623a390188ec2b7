"""The application as the server runs it, built when this module is imported.

The master imports it before it listens, and the workers are forked from it
(the fence says why that is safe). So rules, profiles and mappings are read
once in the life of a server: a worker that takes the place of a crashed one
has the same ones, whatever has become of the files, and is there at once. What
cannot be used ends the start with ``NOT_STARTED`` and a line for each reason.
"""

from __future__ import annotations

from typing import NoReturn

from service import __version__, collector
from service.app import Application, create_app, is_ready
from service.engine.compile import EngineError
from service.intake.nemsis.mapping import MappingError
from service.intake.nemsis.xsd import SchemaError
from service.observe import log, metrics
from service.pipeline import Pipeline
from service.rulebook.load import Rulebook, RulebookError
from service.settings import Settings, SettingsError, read_settings

#: The exit status of a server that could not start.
NOT_STARTED = 3


def build() -> Application:
    """The application, or the end of the process with the reasons as log lines."""
    log.configure(Settings().log_level)  # until the settings are read
    try:
        settings = read_settings()
        log.configure(settings.log_level)
        pipeline = Pipeline.build(
            settings.rules_dir, settings.extra_rules_dir, settings.mappings_dir, settings.nemsis_xsd_dir
        )
        app = create_app(settings, pipeline)
    except (SettingsError, RulebookError, MappingError) as error:
        _stop(error.lines)
    except (EngineError, SchemaError) as error:
        _stop([str(error)])
    except Exception as error:  # noqa: BLE001 (whatever it is, its text is not written)
        log.crash("not-started", error)
        raise SystemExit(NOT_STARTED) from None
    if not is_ready(app):
        _stop(["the rules do not pass their own examples"])
    book = pipeline.rulebook
    metrics.runs(builds(book), [rule.id for rule in book.rules])
    log.emit("info", "rules-read", ruleset=f"{book.name} {book.version}", digest=book.digest)
    collector.settle()
    return app


def builds(book: Rulebook) -> list[tuple[str, str, str, str, str]]:
    """What runs, for the metrics: version, ruleset and its digest, with each profile and its digest."""
    ruleset = f"{book.name} {book.version}"
    return [(__version__, ruleset, book.digest, name, digest) for name, digest in sorted(book.profile_digests.items())]


def _stop(lines: list[str]) -> NoReturn:
    for line in lines:
        log.emit("error", "not-started", reason=line)
    raise SystemExit(NOT_STARTED)


app = build()
