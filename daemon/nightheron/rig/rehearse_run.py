"""A whole rehearsal of one chamber on all cores: every fault, then single changes that would have helped."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator
from dataclasses import asdict, dataclass
from pathlib import Path

from nightheron.model import JsonValue
from nightheron.rig.changes import Trial, bears_on, trials
from nightheron.rig.faults import Fault
from nightheron.rig.own_night import Fit
from nightheron.rig.rehearsal import NeverOpens, Score
from nightheron.rig.rehearse_plan import faults_of, left_out
from nightheron.rig.stand_in import Stand, stand_of
from nightheron.rig.workers import Worker, answers, cores, started
from nightheron.settings.site import Chamber, Site

DEADLINE_S = 1800.0
"""No fault takes so long, on however slow a board."""
MATTERS_S, MATTERS_SHARE = 60.0, 0.05
"""A change that spares less than a minute of harm, or than a twentieth, is not worth a line."""
WORST = 6
"""So many of the faults that harm have the changes tried on them, the worst ones."""
Show = Callable[[str, int, int], None]


@dataclass(frozen=True, slots=True)
class Wanted:
    """What was asked for."""

    path: Path
    fault_file: Path | None
    chambers: tuple[str, ...]
    faults: tuple[str, ...]
    """By name; empty: all."""
    hours: float
    answer_s: float | None
    """How long after a wake somebody shuts the cylinder; None: nobody comes."""
    advice: bool = True


@dataclass(frozen=True, slots=True)
class OwnNight:
    """A recorded night that the faults are put into. Times in RFC 3339."""

    since: str
    until: str
    at: str
    """The opening that the fault comes with."""
    hours: float
    """From there to the night's end."""
    fit: Fit


@dataclass(frozen=True, slots=True)
class Row:
    """One fault, with the guard and without."""

    fault: Fault
    guarded: Score
    unguarded: Score


@dataclass(frozen=True, slots=True)
class Advice:
    """One change, and the seconds of harm that are left by each fault with it."""

    trial: Trial
    before_s: float
    after_s: float
    faults: tuple[tuple[str, float, float], ...]
    """Name, seconds before and after, of each that harmed before."""


@dataclass(frozen=True, slots=True)
class Rehearsed:
    """What became of one chamber."""

    stand: Stand
    healthy: Row
    rows: tuple[Row, ...]
    left_out: tuple[tuple[str, str], ...]
    """Faults that were not played, each with why."""
    advice: tuple[Advice, ...]
    """The best first."""
    tried: int
    """How many changes were tried."""
    hours: float
    """How long each was played."""
    night: OwnNight | None = None

    def harmful(self, accepted: Collection[str] = ()) -> list[Row]:
        """The faults that led to harm in spite of the guard, the worst first."""
        harmed = [row for row in self.rows if row.guarded.harm_s and row.fault.name not in accepted]
        return sorted(harmed, key=lambda row: -row.guarded.harm_s)


NOTHING = Fault("nothing", "nothing", "Nothing is wrong.", "", (), ("usual",), ("true",))


def rehearse(
    site: Site, chamber: Chamber, wanted: Wanted, show: Show, night: OwnNight | None = None
) -> Rehearsed:
    """Play everything for one chamber, or for the chamber of a recorded night.

    NeverOpens when its healthy gas stays shut.
    """
    stand, known = stand_of(site, chamber), faults_of(wanted.fault_file)
    stand = stand if night is None else night.fit.on(stand)
    hours = wanted.hours if night is None else night.hours
    names = wanted.faults or tuple(known)
    out = {name: why for name in names if (why := left_out(known[name], stand)) is not None}
    played = [name for name in names if name not in out]
    arguments = [str(wanted.path)] + ([] if wanted.fault_file is None else [str(wanted.fault_file)])
    with started("nightheron.rig.rehearse_worker", arguments, min(cores(), len(played) + 1)) as workers:
        base: dict[str, JsonValue] = {
            "chamber": chamber.name,
            "hours": hours,
            "answer_s": wanted.answer_s,
            "fit": None if night is None else asdict(night.fit),
        }
        tasks = [
            {**base, "fault": name, "guard": guard} for name in (None, *played) for guard in (True, False)
        ]
        scores = _scores(workers, tasks, chamber.name, show)
        healthy = Row(NOTHING, scores[None, True, None], scores[None, False, None])
        rows = tuple(Row(known[name], scores[name, True, None], scores[name, False, None]) for name in played)
        harmed = sorted((row for row in rows if row.guarded.harm_s), key=lambda row: -row.guarded.harm_s)
        harmed = harmed[:WORST]
        share = healthy.guarded.open_s / (3600.0 * hours)
        ideas = trials(stand, share) if wanted.advice and harmed else {}
        advice = _advice(workers, base, ideas, harmed, share, show)
    return Rehearsed(stand, healthy, rows, tuple(out.items()), advice, len(ideas), hours, night)


Key = tuple[str | None, bool, str | None]


def _scores(
    workers: list[Worker], tasks: Iterable[dict[str, JsonValue]], what: str, show: Show
) -> dict[Key, Score]:
    listed = list(tasks)
    found: dict[Key, Score] = {}
    for task, answer in _answers(workers, listed):
        fault, change = task.get("fault"), task.get("change")
        key = (
            None if fault is None else str(fault),
            bool(task["guard"]),
            None if change is None else str(change),
        )
        found[key] = score_of(answer)
        show(what, len(found), len(listed))
    return found


def _answers(
    workers: list[Worker], tasks: list[dict[str, JsonValue]]
) -> Iterator[tuple[dict[str, JsonValue], dict[str, JsonValue]]]:
    wide: list[JsonValue] = [dict(task) for task in tasks]
    for task, answer in answers(workers, wide, DEADLINE_S):
        if not isinstance(task, dict) or not isinstance(answer, dict):
            raise TypeError("tasks and answers are objects")
        yield task, answer


def score_of(answer: dict[str, JsonValue]) -> Score:
    """A score from its JSON. NeverOpens where there could be none."""
    if "never_opens" in answer:
        raise NeverOpens(str(answer["never_opens"]))
    return Score(**answer)  # type: ignore[arg-type]  # what asdict gave, by name


def _advice(
    workers: list[Worker],
    base: dict[str, JsonValue],
    ideas: dict[str, Trial],
    harmed: list[Row],
    share: float,
    show: Show,
) -> tuple[Advice, ...]:
    """Each change by itself against each fault that harmed; those that spare harm, the best first."""
    tasks = [
        {**base, "fault": row.fault.name, "guard": True, "change": key, "share": share}
        for key in ideas
        for row in harmed
        if bears_on(key, row.fault)
    ]
    scores = _scores(workers, tasks, "what would have helped", show)
    found = []
    for key, trial in ideas.items():
        each = tuple(
            (row.fault.name, row.guarded.harm_s, scores.get((row.fault.name, True, key), row.guarded).harm_s)
            for row in harmed
        )
        before_s, after_s = sum(one[1] for one in each), sum(one[2] for one in each)
        if before_s - after_s >= max(MATTERS_S, MATTERS_SHARE * before_s):
            found.append(Advice(trial, before_s, after_s, each))
    return tuple(sorted(found, key=lambda one: (one.trial.postpones, one.after_s)))
