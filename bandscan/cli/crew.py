"""A crew of worker processes: one job each at a time; one that dies takes only its job along."""

from __future__ import annotations

import contextlib
import multiprocessing
import signal
import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from multiprocessing.connection import Connection, wait
from multiprocessing.context import SpawnProcess
from typing import Generic, TypeVar

from bandscan.cli.faults import explain

J = TypeVar("J")
R = TypeVar("R")

_STARTED_ANEW = multiprocessing.get_context("spawn")  # alike on every system; no shared threads


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """A job that ended in a fault of the program, and what is known of it."""

    message: str


@dataclass(slots=True)
class _Worker(Generic[J]):
    process: SpawnProcess
    line: Connection
    job: int | None = None


def run_crew(
    work: Callable[[J], R], jobs: Sequence[J], workers: int
) -> Iterator[tuple[int, R | Fault]]:
    """Do jobs in several processes.

    Parameters
    ----------
    work : callable
        A function of a module, which the processes import.
    jobs : sequence
        Each can be pickled, as can its result.
    workers : int
        Number of processes.

    Yields
    ------
    index : int
        Of the job, in the order in which they are done.
    result : object or Fault
        A `Fault` where the job raised, or its process died.
    """
    waiting = deque(range(len(jobs)))
    crew: list[_Worker[J]] = []
    try:
        while waiting or any(worker.job is not None for worker in crew):
            while waiting and len(crew) < min(workers, len(jobs)):
                crew.append(_hire(work))
            for worker in crew:
                if worker.job is None and waiting:
                    worker.job = waiting.popleft()
                    with contextlib.suppress(OSError):  # it has died: seen below
                        worker.line.send(jobs[worker.job])
            ready = wait([worker.line for worker in crew if worker.job is not None])
            for worker in [worker for worker in crew if worker.line in ready]:
                index, worker.job = worker.job, None
                assert index is not None
                try:
                    result = worker.line.recv()
                except (EOFError, OSError):
                    crew.remove(worker)
                    result = _died(worker)
                yield index, result
    finally:
        for worker in crew:
            worker.process.terminate()
        for worker in crew:
            worker.process.join()
            worker.line.close()


def _hire(work: Callable[[J], R]) -> _Worker[J]:
    ours, theirs = _STARTED_ANEW.Pipe()
    process = _STARTED_ANEW.Process(target=_serve, args=(work, theirs), daemon=True)
    with _deaf_to_interrupts():
        process.start()
    theirs.close()  # so that its end is noticed here
    return _Worker(process, ours)


@contextlib.contextmanager
def _deaf_to_interrupts() -> Iterator[None]:
    """Processes started within leave Ctrl-C to this one, which tells what was done."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


def _died(worker: _Worker[J]) -> Fault:
    worker.process.join()
    worker.line.close()
    code = worker.process.exitcode
    return Fault(
        message=f"A worker process ended with status {code} at this photo; the others go on."
    )


def _serve(work: Callable[[J], R], line: Connection) -> None:
    """A worker's life: job in, result out, until the line is closed."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    with contextlib.suppress(EOFError, OSError):
        while True:
            job = line.recv()
            try:
                result: R | Fault = work(job)
            except Exception as error:
                result = Fault(message=explain(error, verbose=False)[0])
            line.send(result)
