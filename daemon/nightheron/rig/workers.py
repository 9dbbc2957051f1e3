"""Work shared out over processes: each gets the next task, a line of JSON, when it has answered the last."""

from __future__ import annotations

import contextlib
import json
import os
import selectors
import subprocess
import sys
from collections.abc import Iterable, Iterator, Sequence
from typing import IO

from nightheron.model import JsonValue

ENDS_S = 10.0
Worker = subprocess.Popen[str]


def cores() -> int:
    """Of this machine, that this process may use."""
    return max(1, len(os.sched_getaffinity(0)))


@contextlib.contextmanager
def started(module: str, arguments: Sequence[str], number: int) -> Iterator[list[Worker]]:
    """So many processes of ``python -m module``; all are ended with the block."""
    workers: list[Worker] = []
    try:
        workers.extend(
            subprocess.Popen(  # noqa: S603 - our own module
                [sys.executable, "-m", module, *arguments],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                text=True,
            )
            for _ in range(number)
        )
        yield workers
    finally:
        for worker in workers:
            _end(worker)


def answers(
    workers: Sequence[Worker], tasks: Iterable[JsonValue], deadline_s: float
) -> Iterator[tuple[JsonValue, JsonValue]]:
    """Each task with its answer, in whatever order they come.

    RuntimeError when a process ends by itself, or none answers within ``deadline_s``.
    """
    waiting, at = iter(tasks), dict[int, JsonValue]()
    with selectors.DefaultSelector() as ready:
        for worker in workers:
            ready.register(_pipe(worker.stdout), selectors.EVENT_READ, worker)
            _give(worker, waiting, at)
        while at:
            answered = ready.select(deadline_s)
            if not answered:
                raise RuntimeError(f"no process answered within {deadline_s:g} s")
            for key, _ in answered:
                line = _pipe(key.data.stdout).readline()
                if not line:
                    raise RuntimeError("a process that was given work ended by itself")
                task = at.pop(key.data.pid)
                _give(key.data, waiting, at)
                yield task, json.loads(line)


def _give(worker: Worker, tasks: Iterator[JsonValue], at: dict[int, JsonValue]) -> None:
    for task in tasks:
        at[worker.pid] = task
        pipe = _pipe(worker.stdin)
        pipe.write(json.dumps(task) + "\n")
        pipe.flush()
        return


def _pipe(pipe: IO[str] | None) -> IO[str]:
    if pipe is None:
        raise RuntimeError("a worker has no pipe")
    return pipe


def _end(worker: Worker) -> None:
    with contextlib.suppress(BrokenPipeError):
        _pipe(worker.stdin).close()
    worker.kill()
    worker.wait(ENDS_S)
    _pipe(worker.stdout).close()
