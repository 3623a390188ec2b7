"""The layers and their one direction, read from the imports; and what no file of the project may say."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
SERVICE = ROOT / "service"

#: Room -> the rooms of ours that it may import from. Each stands above it: no circle, and no way back up.
#: A module beside the rooms is a room of its own.
ROOMS: dict[str, set[str]] = {
    "__version__": set(),
    "settings": set(),
    "problems": set(),
    "resources": set(),
    "memory": set(),
    "checkpoint": set(),
    "observe": set(),
    "episode": set(),
    "intake": {"checkpoint", "episode", "problems"},
    "formats": {"checkpoint", "episode", "intake", "problems"},
    "narrative": set(),
    "wording": {"episode", "intake"},
    "facts": {"checkpoint", "episode", "narrative", "wording"},
    "rulebook": {"episode", "facts", "intake", "narrative", "wording"},
    "engine": {"checkpoint", "facts", "rulebook"},
    "review": {"checkpoint", "engine", "episode", "facts", "intake", "problems", "rulebook", "wording"},
    "pipeline": {
        "__version__", "checkpoint", "engine", "episode", "facts", "formats", "intake", "resources", "review", "rulebook",
    },
    "representations": {"checkpoint", "episode", "formats", "intake", "problems", "review", "wording"},
    "pages": {"checkpoint", "episode", "facts", "review", "rulebook", "wording"},
    "batch": {
        "__version__", "checkpoint", "engine", "episode", "facts", "formats", "intake", "memory", "pages", "pipeline", "problems",
        "review", "rulebook", "wording",
    },
    "access": {"intake", "observe", "problems", "settings"},
    "server": {"observe", "settings"},
    "api": {
        "access", "batch", "engine", "episode", "formats", "observe", "pages", "pipeline", "problems", "representations", "resources",
        "review", "rulebook", "server", "settings",
    },
    "app": {"api", "observe", "pipeline", "settings"},
    "wsgi": {"__version__", "app", "engine", "formats", "memory", "observe", "pipeline", "rulebook", "server", "settings"},
    "serve": {"wsgi"},
    "commands": {
        "access", "batch", "engine", "formats", "intake", "memory", "narrative", "pages", "pipeline", "problems", "representations",
        "resources", "review", "rulebook", "server", "settings", "wording",
    },
    "cli": {"__version__", "commands", "settings"},
}  # fmt: skip

#: Modules that read no clock, no environment, no files and no network.
CALM = {
    "__future__", "bisect", "collections", "copy", "dataclasses", "datetime", "decimal", "difflib", "enum", "fractions", "functools",
    "hashlib", "heapq", "itertools", "json", "math", "operator", "re", "string", "textwrap", "types", "typing",
}  # fmt: skip
#: Pure room -> what it may import from outside, besides the calm ones. Rules are files, read when the service is built.
OUTSIDE: dict[str, set[str]] = {
    "episode": {"msgspec"},
    "checkpoint": set(),
    "problems": set(),
    "resources": {"pathlib"},
    "intake": {"marshmallow", "msgspec", "orjson", "pathlib", "threading", "yaml"},
    "formats": {"base64", "html", "lxml", "marshmallow", "orjson", "pathlib", "threading", "uuid", "xml"},
    "narrative": set(),
    "wording": set(),
    "facts": {"msgspec"},
    "rulebook": {"contextlib", "msgspec", "pathlib"},
    "engine": {"durable", "durable_rules_engine", "threading"},
    "review": {"msgspec", "orjson"},
    "representations": {"orjson", "uuid", "xml"},
    "pages": {"base64", "jinja2", "markupsafe"},
    "pipeline": {"pathlib"},
}
FLASK_HOMES = {"app", "serve", "wsgi"}


def modules() -> dict[str, ast.Module]:
    """Every module of the service by its name inside it."""
    found = {}
    for path in sorted(SERVICE.rglob("*.py")):
        name = ".".join(path.relative_to(SERVICE).with_suffix("").parts).removesuffix("__init__").strip(".")
        found[name] = ast.parse(path.read_text("utf-8"), filename=path.name)
    return found


MODULES = modules()
PURE = sorted(name for name in MODULES if name.split(".")[0] in OUTSIDE)


def imports(name: str) -> Iterator[tuple[str, bool]]:
    """What a module imports as (dotted name, of ours); relative ones resolved; imports inside functions too."""
    inside = (SERVICE / Path(*name.split(".")) / "__init__.py").exists() if name else True
    package = name.split(".") if inside and name else name.split(".")[:-1]
    for node in ast.walk(MODULES[name]):
        if isinstance(node, ast.Import):
            for alias in node.names:
                ours = alias.name.split(".")[0] == "service"
                yield alias.name.removeprefix("service.") if ours else alias.name, ours
        elif isinstance(node, ast.ImportFrom):
            if node.level:
                base = package[: len(package) - node.level + 1] + (node.module.split(".") if node.module else [])
                ours = True
            else:
                base = (node.module or "").split(".")
                ours = base[0] == "service"
                base = base[1:] if ours else base
            for alias in node.names:
                full = ".".join([*base, alias.name])
                # "from package import module" names a module, anything else a name in one.
                yield full if not ours or full in MODULES or not base else ".".join(base), ours


def within(name: str, allowed: set[str]) -> bool:
    return any(name == home or name.startswith(f"{home}.") for home in allowed)


def room_of(dotted: str) -> str:
    return dotted.split(".")[0] or "__version__"


def test_every_room_is_in_the_tables() -> None:
    assert set(ROOMS) - {"__version__"} == {room_of(name) for name in MODULES if name}
    assert set(OUTSIDE) <= set(ROOMS)
    assert len(PURE) > 25


def test_no_room_may_import_from_one_that_stands_below_it() -> None:
    order = list(ROOMS)
    wrong = [
        (room, other) for room, allowed in ROOMS.items() for other in allowed if order.index(other) >= order.index(room)
    ]
    assert wrong == []


@pytest.mark.parametrize("name", sorted(name for name in MODULES if name))
def test_one_direction(name: str) -> None:
    room = room_of(name)
    wrong = sorted({target for target, ours in imports(name) if ours and room_of(target) not in ROOMS[room] | {room}})
    assert wrong == []


def test_every_arrow_between_rooms_is_used() -> None:
    used: dict[str, set[str]] = {room: set() for room in ROOMS}
    for name in MODULES:
        if name:
            used[room_of(name)] |= {room_of(target) for target, ours in imports(name) if ours} - {room_of(name)}
    assert used == ROOMS


def test_no_two_modules_import_each_other() -> None:
    """Neither directly nor round about; imports inside functions and for types alone count too."""
    below = {name: {target for target, ours in imports(name) if ours and target in MODULES} for name in MODULES}
    while leaves := {name for name, targets in below.items() if not targets & below.keys()}:
        for name in leaves:
            del below[name]
    assert below == {}


@pytest.mark.parametrize("name", PURE)
def test_nothing_that_could_differ_between_two_runs(name: str) -> None:
    """No web framework, clock, environment, log, random number, socket or file between intake and presentation."""
    package = name.split(".")[0]
    wrong = sorted(
        {target for target, ours in imports(name) if not ours and not within(target, CALM | OUTSIDE[package])}
    )
    assert wrong == []


@pytest.mark.parametrize("name", PURE)
def test_no_call_that_asks_the_machine(name: str) -> None:
    calls = [node.func for node in ast.walk(MODULES[name]) if isinstance(node, ast.Call)]
    asked = {c.attr for c in calls if isinstance(c, ast.Attribute)} & {
        "now",
        "utcnow",
        "today",
        "localtime",
        "getenv",
        "urandom",
        "uuid1",
        "uuid4",
    }
    asked |= {c.id for c in calls if isinstance(c, ast.Name)} & {
        "open",
        "print",
        "input",
        "eval",
        "exec",
        "hash",
        "breakpoint",
        "__import__",
    }
    assert asked == ({"exec"} if name == "engine.source_code" else set())


def test_the_engine_has_one_door() -> None:
    homes = {
        name
        for name in MODULES
        for target, ours in imports(name)
        if not ours and target.split(".")[0] in ("durable", "durable_rules_engine")
    }
    assert homes == {"engine.fence"}


def test_the_web_framework_lives_in_the_api() -> None:
    homes = {
        name
        for name in MODULES
        for target, ours in imports(name)
        if not ours and target.split(".")[0] in ("flask", "werkzeug")
    }
    assert homes and {name for name in homes if name.split(".")[0] != "api"} <= FLASK_HOMES


def test_nothing_imports_the_api_but_the_app() -> None:
    homes = {
        name for name in MODULES for target, ours in imports(name) if ours and within(target, {"api", "app", "wsgi"})
    }
    assert {name for name in homes if name.split(".")[0] != "api"} <= FLASK_HOMES


# ---------------------------------------------------------------- what no file may say

#: Written in pieces, so that this file passes its own test.
PATHS = re.compile(
    r"(?<![\w.~-])/(?:" + "|".join(["wo" + "rk", "tm" + "p", "ho" + "me", "ro" + "ot", "Us" + "ers"]) + r")/"
)
WORDS = re.compile(
    r"\b(?:" + "|".join(["tran" + "scripts?", "seed doc" + "ument", "session no" + "tes"]) + r")\b", re.IGNORECASE
)
SKIPPED = {
    ".git",
    "__pycache__",
    ".mypy_cache",
    ".pytest_cache",
    ".ruff_cache",
    ".hypothesis",
    "node_modules",
    "dist",
    "build",
}


def texts() -> Iterator[tuple[str, str]]:
    for path in sorted(ROOT.rglob("*")):
        parts = path.relative_to(ROOT).parts
        if (
            path.is_file()
            and not SKIPPED & set(parts)
            and not any(p.endswith((".egg-info", ".pyc", ".so", ".venv")) for p in parts)
        ):
            try:
                yield "/".join(parts), path.read_text("utf-8")
            except UnicodeDecodeError:
                continue


def test_no_path_of_a_machine_and_no_word_about_the_making() -> None:
    found, files = [], 0
    for name, text in texts():
        files += 1
        for number, row in enumerate(text.splitlines(), 1):
            if PATHS.search(row) or WORDS.search(row) or WORDS.search(name):
                found.append(f"{name}:{number}")
    assert files > 300
    assert found == []


@pytest.mark.parametrize(
    "row", ["open('/" + "tmp/x')", "see /" + "work/main", "The Tran" + "script says", "seed doc" + "ument"]
)
def test_the_search_finds_what_it_looks_for(row: str) -> None:
    assert PATHS.search(row) or WORDS.search(row)
