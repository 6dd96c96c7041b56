"""Run a function on many tasks in processes of its own, so that a crash or a hang costs one task and not the batch.

Decoders are C code fed with untrusted bytes. Each worker handles one task at a time; one that dies, or overruns its
deadline, is replaced, and its task comes back as a ``Lost``. Results come in the order of the tasks.
"""

from __future__ import annotations

import importlib
import multiprocessing
import os
import signal
import sys
import time
from collections import deque
from collections.abc import Generator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from enum import Enum
from multiprocessing.connection import Connection, wait
from typing import Any

MEMORY_LIMIT_BYTES = 6 * 1024**3
"""Address space of a worker: several times what the largest photo needs, a small part of what a bomb asks for."""


class Lost(Enum):
    """Why a task has no result."""

    CRASHED = "crashed"
    TIMED_OUT = "timed out"


@dataclass
class _Worker:
    """One process and the task it has in hand."""

    process: Any
    connection: Connection
    index: int = -1
    started: float = 0.0

    def give(self, index: int, task: object) -> None:
        self.index, self.started = index, time.monotonic()
        with suppress(OSError):  # a worker that is gone shows at the next look
            self.connection.send(task)

    def take(self) -> object:
        try:
            result: object = self.connection.recv()
        except (EOFError, OSError):
            return Lost.CRASHED
        return result

    def end(self) -> None:
        self.connection.close()
        self.process.kill()
        self.process.join()


@dataclass
class _Crew:
    """The workers of one batch."""

    function: str
    preload: Sequence[str]
    deadline_s: float
    idle: list[_Worker] = field(default_factory=list)
    busy: list[_Worker] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.context = _context(self.preload)

    def start(self, index: int, task: object) -> None:
        worker = self.idle.pop() if self.idle else self._hire()
        self.busy.append(worker)
        worker.give(index, task)

    def _hire(self) -> _Worker:
        ours, theirs = self.context.Pipe()
        process = self.context.Process(target=_serve, args=(theirs, self.function), daemon=True)
        process.start()
        theirs.close()
        return _Worker(process, ours)

    def gather(self) -> list[tuple[int, object]]:
        """Wait until a task is done, lost or overdue."""
        overdue_in = min(worker.started for worker in self.busy) + self.deadline_s - time.monotonic()
        ready = wait([worker.connection for worker in self.busy], timeout=max(overdue_in, 0.0))
        finished = [worker for worker in self.busy if worker.connection in ready]
        late = [w for w in self.busy if w not in finished and time.monotonic() - w.started >= self.deadline_s]
        return [self._settle(w, w.take()) for w in finished] + [self._settle(w, Lost.TIMED_OUT) for w in late]

    def _settle(self, worker: _Worker, outcome: object) -> tuple[int, object]:
        self.busy.remove(worker)
        if isinstance(outcome, Lost):
            worker.end()
        else:
            self.idle.append(worker)
        return worker.index, outcome

    def dismiss(self) -> None:
        for worker in [*self.idle, *self.busy]:
            worker.end()


def run_isolated(
    function: str, tasks: Sequence[object], *, jobs: int, deadline_s: float, preload: Sequence[str] = ()
) -> Generator[Any]:
    """Results of ``function`` on each task, in the order of the tasks, each given as soon as those before it are.

    Args:
        function: ``module:function``, loaded by the workers alone; it takes a task and must not raise.
        tasks: what it is called with; must be picklable, and so must the results.
        jobs: how many processes at once, at least 1.
        deadline_s: how long one task may take before its process is ended.
        preload: modules that every worker needs, imported once for all of them where the system allows it.
    """
    crew: _Crew = _Crew(function, preload, deadline_s)
    waiting, done, next_index = deque(enumerate(tasks)), dict[int, object](), 0
    try:
        while waiting or crew.busy:
            while waiting and len(crew.busy) < jobs:
                crew.start(*waiting.popleft())
            done.update(crew.gather())
            while next_index in done:
                yield done.pop(next_index)
                next_index += 1
    finally:
        crew.dismiss()


def _context(preload: Sequence[str]) -> Any:
    """Processes forked from a small server that has done the imports; started afresh where there is no fork."""
    # One thread a worker: numerical libraries otherwise start one a core, in every worker.
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    if sys.platform == "win32" or "forkserver" not in multiprocessing.get_all_start_methods():
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(list(preload))
    return context


def _serve(connection: Connection, function: str) -> None:
    """The life of a worker: a task in, a result out, until the other end closes."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent ends its workers itself
    _limit_memory()
    module, _, name = function.partition(":")
    do = getattr(importlib.import_module(module), name)
    while True:
        try:
            task = connection.recv()
        except (EOFError, OSError):
            return
        connection.send(do(task))


def _limit_memory() -> None:
    """Refuse to grow beyond all measure, where the system has such a limit."""
    try:
        import resource
    except ImportError:
        return
    _, hard = resource.getrlimit(resource.RLIMIT_AS)
    limit = MEMORY_LIMIT_BYTES if hard == resource.RLIM_INFINITY else min(MEMORY_LIMIT_BYTES, hard)
    with suppress(ValueError, OSError):
        resource.setrlimit(resource.RLIMIT_AS, (limit, hard))
