"""Whatever a person writes, the answer is a sound site or named faults, never anything else."""

from __future__ import annotations

import math
import tempfile
from dataclasses import fields, is_dataclass
from pathlib import Path

from hypothesis import given, settings, strategies as st
from nightheron.settings import BadConfiguration, budget, load, warnings
from nightheron.settings.site import Site

from tests.support.configuration import GOOD, SECRET, write

LINES = [n for n, line in enumerate(GOOD.splitlines()) if " = " in line and "pattern" not in line]
KEYS = [
    "settle_s",
    "lease_s",
    "stale_s",
    "period_s",
    "unit",
    "longest_opening_s",
    "driver",
    "tls",
    "urls",
    "probe",
]
VALUES = st.one_of(
    st.sampled_from(
        [
            "nan",
            "-inf",
            "inf",
            "true",
            "0",
            "-0.0",
            "1e308",
            "9" * 400,
            '""',
            "[]",
            "{}",
            "[nan]",
            "{a = nan}",
        ]
    ),
    st.sampled_from(
        ['"west"', '"mv"', '"mqtt"', '"rig"', "07:30:00", "2026-01-01", '"a\\u0000b"', '["west"]', "'+'"]
    ),
    st.integers(-(2**63), 2**63 - 1).map(str),
    st.floats(allow_nan=False, allow_infinity=False).map(repr),
    st.text(st.characters(exclude_categories=("Cs", "Cc")), max_size=8).map(
        lambda t: f"'{t.replace(chr(39), '')}'"
    ),
)
CHANGES = st.lists(
    st.tuples(st.sampled_from(LINES), st.none() | st.sampled_from(KEYS), VALUES), min_size=1, max_size=3
)


def spoilt(changes: list[tuple[int, str | None, str]]) -> str:
    """The sound text with values replaced, or lines added where a key is given."""
    lines = GOOD.splitlines()
    for number, key, value in changes:
        old = lines[number]
        lines[number] = (
            f"{old}\n{key} = {value}" if key else f"{old.split(' = ')[0].splitlines()[0]} = {value}"
        )
    return "\n".join(lines)


def numbers(value: object) -> list[float]:
    """Every number in a tree of frozen limits."""
    if is_dataclass(value):
        return [n for f in fields(value) for n in numbers(getattr(value, f.name))]
    return [float(value)] if isinstance(value, int | float) else []


def assert_sound(site: Site) -> None:
    """All numbers finite, limits in order, timers above zero, budget and warnings can be told."""
    for limits in site.limits():
        assert all(math.isfinite(n) for n in numbers(limits))
        assert limits.floor_ph < limits.resume_ph
        assert min(limits.settle_s, limits.min_rest_s, limits.trial_pause_s) >= 1
        assert 0 < limits.trial_opening_s <= limits.longest_opening_s
        assert limits.valve.lease_s >= 2
        assert limits.probes[0].stale_s >= 3 * limits.probes[0].period_s > 0
    assert all(row.seconds is None or math.isfinite(row.seconds) for row in budget(site))
    assert all("\n" not in w.why for w in warnings(site))
    assert len(site.fingerprint()) == 64


@settings(max_examples=300, deadline=None)
@given(CHANGES)
def test_any_value_at_any_key_ends_in_a_sound_site_or_in_named_faults(
    changes: list[tuple[int, str | None, str]],
) -> None:
    """No value of any kind at any key gets through as an unbounded limit, or as a traceback."""
    with tempfile.TemporaryDirectory() as directory:
        path = write(Path(directory), spoilt(changes))
        try:
            site = load(path, {})
        except BadConfiguration as bad:
            assert bad.faults
            assert all(f.key and f.why and "\n" not in f.key + f.why for f in bad.faults)
            assert SECRET not in str(bad)
        else:
            assert_sound(site)
