"""``python -m tests.ops.serve MODULE [ARGUMENT]``: the project's own server around what ``MODULE.build`` makes."""

from __future__ import annotations

from gevent import monkey

if __name__ == "__main__":
    # As service.serve does: before anything makes a lock.
    monkey.patch_all(signal=False, os=False, subprocess=False, queue=False)

    import functools
    import importlib
    import sys

    from service.server.gunicorn import serve
    from service.settings import read_settings

    build = importlib.import_module(sys.argv[1]).build
    serve(read_settings(), functools.partial(build, *sys.argv[2:]))
