"""``python -m service.serve``: the server, until a signal ends it."""

from __future__ import annotations

from gevent import monkey


def main() -> None:
    """Put gevent's sockets and locks in place of Python's, before anything makes one; then serve."""
    # Signals, processes and the queue of signals stay the master's own, as gunicorn has them.
    monkey.patch_all(signal=False, os=False, subprocess=False, queue=False)
    from service import wsgi

    wsgi.main()


if __name__ == "__main__":
    main()
