"""The threads of a worker: there from the start, last idle first, every job once, all gone at the end."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor

import pytest

from service.server.threads import Pool

SIZE = 4


@pytest.fixture
def pool() -> Iterator[Pool]:
    with Pool(SIZE) as started:
        at_rest(started)
        yield started


def at_rest(pool: Pool) -> None:
    """Wait until every thread is idle."""
    end = time.monotonic() + 10
    while len(pool._jobs._idle) < SIZE:
        assert time.monotonic() < end
        time.sleep(0.001)


def test_all_threads_are_there_before_the_first_job_and_no_more_come(pool: Pool) -> None:
    there = set(pool._threads)
    assert len(there) == SIZE
    list(pool.map(time.sleep, [0.001] * 20))
    assert set(pool._threads) == there


def test_the_thread_that_was_busy_last_takes_the_next_job(pool: Pool) -> None:
    used = set()
    for _ in range(20):
        used.add(pool.submit(threading.get_ident).result())
        at_rest(pool)
    assert len(used) == 1


def test_what_finds_no_thread_waits_is_counted_and_goes_first_come_first_served(pool: Pool) -> None:
    go = threading.Event()
    held = [pool.submit(go.wait) for _ in range(SIZE)]
    done: list[int] = []
    later = [pool.submit(done.append, number) for number in range(3)]
    assert pool.waiting() == 3
    assert [job.args for job in pool._jobs._waiting] == [(0,), (1,), (2,)]
    go.set()
    for each in (*held, *later):
        each.result(timeout=10)
    assert sorted(done) == [0, 1, 2]
    assert pool.waiting() == 0


def test_every_job_is_done_once(pool: Pool) -> None:
    done: list[tuple[int, int]] = []

    def give(giver: int) -> None:
        for future in [pool.submit(done.append, (giver, number)) for number in range(500)]:
            future.result(timeout=10)

    with ThreadPoolExecutor(SIZE) as givers:
        list(givers.map(give, range(SIZE)))
    assert sorted(done) == [(giver, number) for giver in range(SIZE) for number in range(500)]


def test_the_end_comes_after_what_was_taken_on_and_leaves_no_thread(pool: Pool) -> None:
    go = threading.Event()
    taken = [pool.submit(go.wait, 10) for _ in range(3 * SIZE)]
    pool.shutdown(wait=False)
    go.set()
    assert all(each.result(timeout=10) for each in taken)
    for thread in pool._threads:
        thread.join(timeout=10)
        assert not thread.is_alive()


def test_what_was_not_begun_can_be_called_off(pool: Pool) -> None:
    go = threading.Event()
    begun = [pool.submit(go.wait, 10) for _ in range(SIZE)]
    waiting = pool.submit(go.wait, 10)
    pool.shutdown(wait=False, cancel_futures=True)
    go.set()
    assert waiting.cancelled()
    assert all(each.result(timeout=10) for each in begun)


def test_where_one_cannot_be_started_there_is_none(monkeypatch: pytest.MonkeyPatch) -> None:
    started: list[threading.Thread] = []

    class Short(threading.Thread):
        def start(self) -> None:
            if len(started) == SIZE - 1:
                raise RuntimeError("can't start new thread")
            started.append(self)
            self.daemon = True  # so that a failure of this test does not keep the tests from ending
            super().start()

    with monkeypatch.context() as patched, pytest.raises(RuntimeError, match="start new thread"):
        patched.setattr(threading, "Thread", Short)
        Pool(SIZE)
    assert len(started) == SIZE - 1
    for thread in started:
        thread.join(timeout=10)
        assert not thread.is_alive()
