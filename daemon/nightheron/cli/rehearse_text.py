"""How a rehearsal is shown to people: 80 columns, what harms first, then what would have helped."""

from __future__ import annotations

import textwrap
from collections.abc import Collection, Iterable

from nightheron.rig.rehearsal import Score
from nightheron.rig.rehearse_run import WORST, Advice, OwnNight, Rehearsed, Row, Wanted
from nightheron.rig.stand_in import assumed

WIDTH = 80
ADVICE_MOST = 6


def as_text(found: Iterable[Rehearsed], wanted: Wanted, accepted: Collection[str]) -> str:
    """Every chamber, and what is meant by harm."""
    return "\n\n".join("\n\n".join(_parts(one, wanted, accepted)) for one in found)


def _parts(one: Rehearsed, wanted: Wanted, accepted: Collection[str]) -> list[str]:
    name, harmed = one.stand.limits.name, one.harmful()
    bad = one.harmful(accepted)
    if bad:
        verdict = f"{name}: {len(bad)} of {len(one.rows)} faults lead to harm in spite of the guard."
    else:
        verdict = f"{name}: none of {len(one.rows)} faults leads to harm" + (
            " that was not accepted." if harmed else "."
        )
    parts = [verdict, _head(one, wanted)]
    spared = [row for row in one.rows if row.unguarded.harm_s and not row.guarded.harm_s]
    if harmed:
        parts.append(_table("Harm in spite of the guard", harmed, accepted))
    if spared:
        spared.sort(key=lambda row: -row.unguarded.harm_s)
        parts.append(_table("Harm only without the guard", spared, ()))
    parts += [_rest(one), *_advice(one), _meaning(one)]
    return parts


def _head(one: Rehearsed, wanted: Wanted) -> str:
    comes = (
        "Nobody comes, whoever is woken."
        if wanted.answer_s is None
        else f"Somebody who is woken shuts the cylinder by hand after {wanted.answer_s / 60:g} min."
    )
    if wanted.answer_s is not None and not one.stand.told:
        comes = "There is no push address, so nobody is woken and nobody comes."
    lines = [
        _wrap(
            f"Rehearsal of {one.stand.limits.name}, a SIMULATION: each fault is put into a healthy chamber "
            f"as gas opens, and played for {_long(one.hours)} through the guard's own decisions. {comes}",
            "",
        ),
        *([] if one.night is None else [_night(one.night)]),
        "The chamber on the rig:",
        *(_wrap(f"- {text}", "  ") for text in assumed(one.stand)),
    ]
    return "\n".join(lines)


def _long(hours: float) -> str:
    return f"{hours:.3g} h" if hours >= 2.0 else f"{60.0 * hours:.0f} min"


def _night(night: OwnNight) -> str:
    fit = night.fit
    holds = (
        "it holds"
        if fit.good
        else "it holds poorly, so take what follows loosely; an hour of calm gas cycles fits better"
    )
    return _wrap(
        f"It is fitted to what was recorded from {night.since} to {night.until}: with the journal's "
        f"openings it reads what was read within {fit.rms_ph:.3f} pH (RMS of {fit.readings} readings); "
        f"{holds}. Each fault comes with an opening such as that at {night.at}, and is played to the "
        "night's end.",
        "",
    )


def _table(title: str, rows: Iterable[Row], accepted: Collection[str]) -> str:
    lines = [
        f"{title:<33}{'with the guard':^30}{'thermostat':^15}".rstrip(),
        f"{'fault':<32} {'harm':>7} {'lowest':>6}  {'first told':<15} {'harm':>7} {'lowest':>6}",
    ]
    for row in rows:
        mark = "*" if row.fault.name in accepted else ""
        guarded, other = row.guarded, row.unguarded
        lines.append(
            f"{(row.fault.name + mark)[:32]:<32} {_minutes(guarded.harm_s):>7} {guarded.lowest_ph:>6.2f}  "
            f"{_told(guarded):<15} {_minutes(other.harm_s):>7} {other.lowest_ph:>6.2f}"
        )
        kinds = ", ".join(f"{kind} {_minutes(seconds)}" for kind, seconds in guarded.kinds_s.items())
        if kinds:
            lines.append(f"  {kinds}{_worst(guarded)}")
    if accepted:
        lines.append("* accepted")
    return "\n".join(lines)


def _minutes(seconds: float) -> str:
    return f"{seconds / 60:.0f} min" if seconds >= 60 or not seconds else f"{seconds:.0f} s"


def _told(score: Score) -> str:
    if score.told_after_s is None:
        return "nobody"
    return f"{score.told_class} {_minutes(score.told_after_s)}"


def _worst(score: Score) -> str:
    """The depth of the harms that pH does not show."""
    found = []
    if "tank" in score.kinds_s:
        found.append(f"tank {score.tank_lowest_ph:.2f}")
    if "vessel" in score.kinds_s:
        found.append(f"vessel {score.vessel_most_bar:.2f} bar")
    if "room" in score.kinds_s:
        found.append(f"room {score.room_most_ppm:.0f} ppm")
    return f"; worst {', '.join(found)}" if found else ""


def _rest(one: Rehearsed) -> str:
    calm = [row.fault.name for row in one.rows if not row.guarded.harm_s and not row.unguarded.harm_s]
    healthy, hours_s = one.healthy.guarded, max(one.healthy.unguarded.open_s, 1.0)
    lines = [
        _wrap(
            f"No harm in either ({len(calm)}): {', '.join(calm) or 'none'}. Nothing wrong at all: lowest "
            f"pH {healthy.lowest_ph:.2f}, gas open {healthy.open_s / hours_s:.0%} of the thermostat's time.",
            "",
        )
    ]
    if one.left_out:
        whys: dict[str, list[str]] = {}
        for name, why in one.left_out:
            whys.setdefault(why, []).append(name)
        said = "; ".join(f"{', '.join(names)}: {why}" for why, names in whys.items())
        lines.append(_wrap(f"Not played: {said}.", ""))
    return "\n".join(lines)


def _advice(one: Rehearsed) -> list[str]:
    if not one.tried:
        return []
    if not one.advice:
        return [f"None of {one.tried} single changes tried would have spared a minute."]
    worst = f" on the {WORST} worst" if len(one.harmful()) > WORST else ""
    lines = [f"What would have helped, of {one.tried} single changes tried{worst}, best first"]
    for advice in one.advice[:ADVICE_MOST]:
        lines.append(f"  {_minutes(advice.before_s):>8} -> {_minutes(advice.after_s)}")
        lines += [_wrap(text, "      ") for text in (advice.trial.what, _spared(advice))]
    return ["\n".join(lines)]


def _spared(advice: Advice) -> str:
    """Each fault with which there is less harm, and how much is left."""
    better = [one for one in advice.faults if one[2] < one[1] - 1.0]
    return "spares " + ", ".join(
        f"{name} wholly" if not after_s else f"{name} down to {_minutes(after_s)}"
        for name, _, after_s in better
    )


def _meaning(one: Rehearsed) -> str:
    words = one.stand.harm.words()
    kinds = dict.fromkeys(
        kind for row in one.rows for score in (row.guarded, row.unguarded) for kind in score.kinds_s
    )
    lines = ["Minutes of harm count while"]
    lines += [_wrap(f"{kind}: {words[kind]}", "  ") for kind in words if kind in kinds or not kinds]
    lines.append(
        _wrap(
            "Without a guard stands for a plain thermostat on the same probe, floor and resume: it keeps its "
            "last order when the probe is silent, tells nobody, and its valve has no timer.",
            "",
        )
    )
    return "\n".join(lines)


def _wrap(text: str, indent: str) -> str:
    return textwrap.fill(
        text,
        WIDTH,
        initial_indent=indent,
        subsequent_indent=indent + ("  " if indent or text.startswith("- ") else ""),
        break_long_words=False,
        break_on_hyphens=False,
    )
