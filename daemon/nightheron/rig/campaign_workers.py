"""A campaign on several cores: processes that play nights, each given the next task when it has answered."""

from __future__ import annotations

import json
import selectors
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import IO

from nightheron.model import JsonValue
from nightheron.rig.campaign import Outcome
from nightheron.rig.night_plan import NightPlan

DEADLINE_S = 1800.0
"""No task takes so long: a chamber of the pool lives in a minute, on a slow board in ten."""
ENDS_S = 10.0
Task = tuple[str, int, int]


def run_on(
    nights: Sequence[NightPlan], processes: int, over: Callable[[], bool] = lambda: False
) -> Iterator[Outcome]:
    """Play nights in so many processes, in whatever order they end; none is begun once it is ``over``.

    The chambers of the pool that they need live first. RuntimeError when a process ends or hangs.
    """
    wanted = sorted({(one.seed, one.pool) for one in nights if one.pool is not None})
    with tempfile.TemporaryDirectory(prefix="nightheron-campaign-") as folder:
        workers = [_start(folder) for _ in range(processes)]
        try:
            for _ in _done(workers, [("warm", *one) for one in wanted]):
                pass
            for answer in _done(workers, (("play", one.seed, one.night) for one in nights if not over())):
                yield outcome_of(answer)
        finally:
            for worker in workers:
                _end(worker)


def outcome_of(answer: JsonValue) -> Outcome:
    """An outcome from its JSON."""
    if not isinstance(answer, dict):
        raise TypeError("an outcome is an object")
    lists: dict[str, object] = {
        name: tuple(tuple(one) if isinstance(one, list) else one for one in value)
        for name, value in answer.items()
        if isinstance(value, list)
    }
    return Outcome(**{**answer, **lists})  # type: ignore[arg-type]  # what asdict gave, by name


def _start(folder: str) -> subprocess.Popen[str]:
    return subprocess.Popen(  # noqa: S603 - our own module, and a folder of our own
        [sys.executable, "-m", "nightheron.rig.campaign_worker", folder],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )


def _done(workers: Sequence[subprocess.Popen[str]], tasks: Iterable[Task]) -> Iterator[JsonValue]:
    """The answer to each task."""
    waiting, busy = iter(tasks), 0
    with selectors.DefaultSelector() as ready:
        for worker in workers:
            ready.register(_pipe(worker.stdout), selectors.EVENT_READ, worker)
            busy += _give(worker, waiting)
        while busy:
            answered = ready.select(DEADLINE_S)
            if not answered:
                raise RuntimeError(f"no night ended within {DEADLINE_S:g} s")
            for key, _ in answered:
                line = _pipe(key.data.stdout).readline()
                if not line:
                    raise RuntimeError("a process that played nights ended by itself")
                busy += _give(key.data, waiting) - 1
                yield json.loads(line)


def _give(worker: subprocess.Popen[str], tasks: Iterator[Task]) -> int:
    """Give it the next task; how many that was."""
    task = next(tasks, None)
    if task is None:
        return 0
    pipe = _pipe(worker.stdin)
    pipe.write(json.dumps(task) + "\n")
    pipe.flush()
    return 1


def _pipe(pipe: IO[str] | None) -> IO[str]:
    if pipe is None:
        raise RuntimeError("a worker has no pipe")
    return pipe


def _end(worker: subprocess.Popen[str]) -> None:
    _pipe(worker.stdin).close()
    worker.kill()
    worker.wait(ENDS_S)
    _pipe(worker.stdout).close()
