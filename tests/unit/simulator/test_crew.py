"""Processes that share work: the results in order, errors handed over, nobody left behind."""

import os
import signal
import subprocess
import sys
import time

import psutil
import pytest

from simulator.crew import Crew, usable_processors


def squared(number: int) -> tuple[int, int]:
    return os.getpid(), number * number


def alive(process: psutil.Process) -> bool:
    try:
        return process.status() != psutil.STATUS_ZOMBIE  # a container may have nobody who buries the dead
    except psutil.NoSuchProcess:
        return False


def broken(number: int) -> int:
    raise ValueError(f"no work for {number}")


def test_without_workers_everything_runs_here_and_only_as_it_is_asked_for() -> None:
    asked: list[int] = []

    def numbers():
        for number in range(5):
            asked.append(number)
            yield (number,)

    with Crew(1) as crew:
        results = crew.in_order(squared, numbers())
        assert next(results) == (os.getpid(), 0)
        assert asked == [0]
        assert [value for _, value in results] == [1, 4, 9, 16]


def test_workers_give_results_in_order_and_errors_as_they_are() -> None:
    with Crew(2) as crew:
        results = list(crew.in_order(squared, ((number,) for number in range(20))))
        assert [value for _, value in results] == [number * number for number in range(20)]
        assert os.getpid() not in {pid for pid, _ in results}
        with pytest.raises(ValueError, match="no work for 3"):
            crew.start(broken, 3).result()
    with Crew(1) as crew, pytest.raises(ValueError, match="no work for 3"):
        crew.start(broken, 3).result()


def test_workers_end_with_a_leader_that_was_killed() -> None:
    script = (
        "import time\nfrom simulator.crew import Crew\n"
        "if __name__ == '__main__':\n"
        "    with Crew(2) as crew:\n"
        "        crew.start(abs, -1).result(); crew.start(time.sleep, 0.1); print('up', flush=True)\n"
        "        time.sleep(600)\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", script], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
    ) as leader:
        try:
            assert leader.stdout is not None
            assert leader.stdout.readline() == b"up\n"
            workers = psutil.Process(leader.pid).children(recursive=True)
            assert workers
        finally:
            leader.send_signal(signal.SIGKILL)
    give_up = time.monotonic() + 20
    while any(alive(worker) for worker in workers):
        assert time.monotonic() < give_up
        time.sleep(0.05)


def test_no_more_processors_than_wanted() -> None:
    assert usable_processors(1) == 1
    assert 1 <= usable_processors(4) <= 4
