"""``python -m tests.ops.serve MODULE [ARGUMENT]``: the project's own server around what ``MODULE.build`` makes."""

from __future__ import annotations

import functools
import importlib
import sys

from service.server.gunicorn import serve
from service.settings import read_settings

if __name__ == "__main__":
    build = importlib.import_module(sys.argv[1]).build
    serve(read_settings(), functools.partial(build, *sys.argv[2:]))
