"""Processes that share one piece of work, and end with the process that started them."""

import os
import signal
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from itertools import islice
from multiprocessing import get_context, parent_process
from types import TracebackType
from typing import Any, Self, TypeVar

T = TypeVar("T")


def usable_processors(most: int = 4) -> int:
    """Processors that this process may use, `most` at most."""
    if hasattr(os, "sched_getaffinity"):
        return min(len(os.sched_getaffinity(0)), most)
    return min(os.cpu_count() or 1, most)


class Crew:
    """A context manager over worker processes; with one process everything runs in the calling one.

    Workers are started afresh (spawn): functions and arguments must be importable and can be pickled, and a script that
    asks for more than one needs the usual `if __name__ == "__main__":`. `prepare` runs once in each worker.
    """

    def __init__(self, processes: int, prepare: Callable[[], object] | None = None) -> None:
        self.processes = processes
        self._pool = None
        if processes > 1:
            self._pool = ProcessPoolExecutor(
                processes, mp_context=get_context("spawn"), initializer=_start, initargs=(prepare,)
            )

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._pool is not None:
            self._pool.shutdown(cancel_futures=True)

    def start(self, work: Callable[..., T], *arguments: Any) -> Future[T]:
        """Begin a piece of work; without workers it is done when this returns."""
        if self._pool is not None:
            return self._pool.submit(work, *arguments)
        done: Future[T] = Future()
        try:
            done.set_result(work(*arguments))
        except Exception as problem:
            done.set_exception(problem)
        return done

    def in_order(self, work: Callable[..., T], arguments: Iterable[tuple[Any, ...]]) -> Iterator[T]:
        """The results of `work(*each)`, in order; only a few pieces ahead, so that a slow reader fills no memory."""
        waiting = iter(arguments)
        ahead = 2 * self.processes if self._pool is not None else 1
        running = deque(self.start(work, *each) for each in islice(waiting, ahead))
        while running:
            yield running.popleft().result()
            running.extend(self.start(work, *each) for each in islice(waiting, 1))


def _start(prepare: Callable[[], object] | None) -> None:
    # Ctrl-C reaches the whole terminal group: the process that leads decides what becomes of the rest.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    if prepare is not None:
        prepare()


def _end_with_parent() -> None:
    """A worker whose parent was killed would wait for work for ever."""
    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
