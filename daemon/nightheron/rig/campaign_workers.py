"""A campaign on several cores: processes that play nights, each given the next task when it has answered."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator, Sequence

from nightheron.model import JsonValue
from nightheron.rig.campaign import Outcome
from nightheron.rig.night_plan import NightPlan
from nightheron.rig.workers import answers, started

DEADLINE_S = 1800.0
"""No task takes so long: a chamber of the pool lives in a minute, on a slow board in ten."""


def run_on(
    nights: Sequence[NightPlan], processes: int, over: Callable[[], bool] = lambda: False
) -> Iterator[Outcome]:
    """Play nights in so many processes, in whatever order they end; none is begun once it is ``over``.

    The chambers of the pool that they need live first. RuntimeError when a process ends or hangs.
    """
    wanted = sorted({(one.seed, one.pool) for one in nights if one.pool is not None})
    with (
        tempfile.TemporaryDirectory(prefix="nightheron-campaign-") as folder,
        started("nightheron.rig.campaign_worker", [folder], processes) as workers,
    ):
        for _ in answers(workers, (["warm", *one] for one in wanted), DEADLINE_S):
            pass
        tasks: Iterator[JsonValue] = (["play", one.seed, one.night] for one in nights if not over())
        for _, answer in answers(workers, tasks, DEADLINE_S):
            yield outcome_of(answer)


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
