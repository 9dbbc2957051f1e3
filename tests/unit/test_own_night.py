"""A recorded night is fitted on the rig: what made it is found again, and what cannot be fitted is said."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from nightheron.cli.rehearse_night import opening_at, recorded
from nightheron.model import Gas
from nightheron.rig.own_night import NoFit, Recorded, fit
from nightheron.rig.stand_in import Stand, plant_of, stand_of
from nightheron.rig.thermostat import Thermostat, play
from nightheron.settings import load

CONFIG = Path(__file__).parents[2] / "config" / "usb-relay-with-timer.toml"
SINCE = "2026-03-14T22:00:00Z"


def plain() -> Stand:
    """The chamber of a ready profile."""
    site = load(CONFIG, {})
    return stand_of(site, site.chambers[0])


def played(stand: Stand, hours: float) -> Recorded:
    """A night of that chamber on a thermostat, as a journal would have it: a reading a minute."""
    name, plant, thermostat = stand.limits.name, plant_of(stand), Thermostat()
    readings, openings, opened_s = [], [], None
    for seen in play(plant, round(hours * 3600), {name: thermostat}):
        one = seen[name]
        gas = one.share > 0.5
        if gas and opened_s is None:
            opened_s = one.age_s
        if not gas and opened_s is not None:
            openings.append((opened_s, one.age_s))
            opened_s = None
        if one.age_s % 60 < 1 and one.says is not None:
            readings.append((one.age_s, float(one.says)))
    return Recorded(hours * 3600, tuple(readings), tuple(openings))


def test_the_chamber_that_made_a_night_is_found_again() -> None:
    """Gas, feed and effluent other than the assumed ones come back to a tenth, and the curve to 0.025 pH."""
    own = replace(plain(), gas_ml_min=5.5, flow_ml_min=32.0, effluent_meq_l=6.3)
    found = fit(played(own, 5.0), plain())

    assert found.good
    assert found.rms_ph < 0.025
    assert found.gas_ml_min == pytest.approx(5.5, rel=0.1)
    assert found.flow_ml_min == pytest.approx(32.0, rel=0.15)
    assert found.effluent_meq_l == pytest.approx(6.3, rel=0.1)
    assert found.on(plain()).fitted


def test_a_probe_that_was_out_for_a_while_does_not_lead_the_fit() -> None:
    """Ten minutes in a cup of buffer 7 move the fitted gas by less than a tenth, and show in the RMS."""
    night = played(plain(), 4.0)
    cup = tuple((at_s, 7.0 if 6000 < at_s < 6600 else ph) for at_s, ph in night.readings)
    clean, spoilt = fit(night, plain()), fit(replace(night, readings=cup), plain())

    assert spoilt.gas_ml_min == pytest.approx(clean.gas_ml_min, rel=0.1)
    assert spoilt.rms_ph > 2 * clean.rms_ph


@pytest.mark.parametrize(
    ("night", "said"),
    [
        (Recorded(600.0, (), ()), "the span has 0.2 h"),
        (Recorded(7200.0, ((1.0, 6.7),), ((5.0, 9.0),)), "1 readings in the span"),
        (Recorded(7200.0, tuple((60.0 * n, 6.7) for n in range(100)), ()), "never opened or shut"),
    ],
)
def test_a_night_with_too_little_in_it_is_refused(night: Recorded, said: str) -> None:
    """Too short, hardly read, or without one switch of gas: a sentence, and no figures."""
    with pytest.raises(NoFit, match=said):
        fit(night, plain())


def row(at: str, gas: Gas, ph: float | None, kind: str = "witness", boot: str = "a") -> dict[str, object]:
    """A journal row, as far as a night needs it."""
    return {"utc": f"2026-03-14T{at}Z", "gas": gas.value, "ph": ph, "kind": kind, "boot": boot}


def test_rows_become_readings_and_openings() -> None:
    """Gas runs from the row that opens to the row that shuts; a gap or a new boot ends it at the last."""
    night = recorded(
        [
            row("22:00:10", Gas.CLOSED, 6.75),
            row("22:01:00", Gas.OPEN, 6.74, "decision"),
            row("22:02:00", Gas.OPEN, None),
            row("22:03:00", Gas.CLOSED, 6.59, "decision"),
            row("22:03:30", Gas.CLOSED, 6.59, "alarm"),
            row("22:05:00", Gas.OPEN, 6.7, "decision"),
            row("22:06:00", Gas.OPEN, 6.68),
            row("22:30:00", Gas.OPEN, 6.71),
            row("22:31:00", Gas.OPEN, 6.7, boot="b"),
            row("22:32:00", Gas.CLOSED, 6.7, boot="b"),
        ],
        SINCE,
        "2026-03-14T23:00:00Z",
    )

    assert night.openings == ((60.0, 180.0), (300.0, 360.0), (1800.0, 1800.0), (1860.0, 1920.0))
    assert night.readings[:3] == ((10.0, 6.75), (60.0, 6.74), (180.0, 6.59))
    assert night.seconds == 1920.0


def test_the_fault_comes_with_an_opening() -> None:
    """The first after the time given, else the second of all, and only where half an hour is left."""
    night = Recorded(9000.0, (), ((100.0, 200.0), (3000.0, 3500.0), (6000.0, 6100.0), (8000.0, 8900.0)))

    assert opening_at(night, None) == 3000.0
    assert opening_at(night, 3001.0) == 6000.0
    with pytest.raises(ValueError, match="no opening in that span"):
        opening_at(night, 6001.0)
