"""The response-time budget follows from the configuration, and says where nothing bounds it."""

from __future__ import annotations

from pathlib import Path

import pytest
from nightheron.chemistry.safety import process_safety_s
from nightheron.settings import budget, load, warnings
from nightheron.settings.reckon import CAUSES, TAKEOVER_S, TICK_S, WILL_MOST_S, BudgetRow, late

from tests.support.configuration import GOOD, changed, write

ORDER = 'order_topic = "greenhouse/east/gas/order"'
REMOTE = ('host = "127.0.0.1"', 'host = "192.0.2.7"')


def rows(directory: Path, chamber: str, *pairs: tuple[str, str]) -> dict[str, BudgetRow]:
    """The rows of one chamber of the sound configuration with these changes."""
    site = load(write(directory, changed(*pairs)), {})
    return {row.cause: row for row in budget(site) if row.chamber == chamber}


def test_every_chamber_has_a_row_for_every_cause(tmp_path: Path) -> None:
    """No cause is left out for any chamber, in the order of the file."""
    site = load(write(tmp_path), {})

    assert [(r.chamber, r.cause) for r in budget(site)] == [(c, k) for c in ("west", "east") for k in CAUSES]
    assert list(CAUSES) == [
        "reading_below_floor",
        "probe_silent",
        "probe_stuck",
        "guard_killed",
        "guard_frozen",
        "keeper_killed",
        "valve_unreachable",
        "broker_lost",
        "host_lost",
    ]


def test_the_rows_are_the_sum_of_their_steps(tmp_path: Path) -> None:
    """With a lease of 5 s and travel of 2 s, an order is carried out within 2.5 + 2 s at worst."""
    own = rows(tmp_path, "west")

    assert own["reading_below_floor"].seconds == 1 + TICK_S + 4.5
    assert own["probe_silent"].seconds == 5 + TICK_S + 4.5
    assert own["probe_stuck"].seconds == 21_600 + TICK_S + 4.5
    assert own["guard_killed"].seconds == own["guard_frozen"].seconds == 5 + 4.5
    assert own["keeper_killed"].seconds == 1.25 + 2 * TICK_S + 1.25 + TAKEOVER_S + 4.5


def test_water_turns_later_by_lag_and_tail(tmp_path: Path) -> None:
    """The tail counts always, the probe's lag where the cause is seen through the probe."""
    own = rows(tmp_path, "west")

    for cause, after in (("reading_below_floor", 150), ("probe_silent", 150), ("guard_killed", 90)):
        seconds, water_s = own[cause].seconds, own[cause].water_s
        assert seconds is not None
        assert water_s == seconds + after


def test_the_process_safety_time_is_of_this_water_at_ten_times_the_gas(tmp_path: Path) -> None:
    """2.5 L and a floor of 6.60 give the time that the chemistry says."""
    row = rows(tmp_path, "east")["host_lost"]

    assert row.process_safety_s == pytest.approx(process_safety_s(2.5, 6.60, 10.0), abs=0.1)


def test_nothing_bounds_a_lost_valve_without_a_timer(tmp_path: Path) -> None:
    """A device that keeps its last order is said to be unbounded, with what to set."""
    for chamber in ("west", "east"):
        row = rows(tmp_path, chamber)["valve_unreachable"]
        assert (row.seconds, row.water_s) == (None, None)
        assert "NOT BOUNDED" in row.by
        assert "device_timer_s" in row.by


def test_the_devices_own_timer_bounds_all_that_cuts_it_off(tmp_path: Path) -> None:
    """A timer of 10 s and travel of 2 s close within 12 s, whatever was lost."""
    own = rows(tmp_path, "east", (ORDER, f"{ORDER}\ndevice_timer_s = 10"))

    assert {own[c].seconds for c in ("valve_unreachable", "broker_lost", "host_lost")} == {12.0}


def test_an_order_that_carries_the_lease_arms_a_timer(tmp_path: Path) -> None:
    """With the lease in the order, the device closes after the lease, rounded up to whole seconds."""
    order = (ORDER, f'{ORDER}\nopen_order = "ON {{lease_s}}"\nlease_s = 5.5')

    assert rows(tmp_path, "east", order)["valve_unreachable"].seconds == 6 + 2


def test_a_line_that_carries_the_lease_arms_a_timer_too(tmp_path: Path) -> None:
    """A serial relay that is told its seconds is bounded by them, as a device on the broker is."""
    line = ('open_line = "OPEN"', 'open_line = "OPEN {lease_s}"')

    assert rows(tmp_path, "west", line)["host_lost"].seconds == 5 + 2


def test_the_longer_of_two_timers_counts(tmp_path: Path) -> None:
    """Where order and configuration name different times, the budget takes the later."""
    order = (ORDER, f'{ORDER}\nopen_order = "ON {{lease_s}}"\ndevice_timer_s = 20')

    assert rows(tmp_path, "east", order)["valve_unreachable"].seconds == 22


def test_a_broker_elsewhere_speaks_the_last_will(tmp_path: Path) -> None:
    """When this host dies, a broker on another one closes the valve after its keepalive has run out."""
    own = rows(tmp_path, "east", REMOTE)

    assert own["host_lost"].seconds == WILL_MOST_S + 4.5
    assert "only while broker and device live" in own["host_lost"].by
    assert own["broker_lost"].seconds is None


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost", "127.3.2.1", "::1"])
def test_a_broker_on_this_host_dies_with_it(tmp_path: Path, host: str) -> None:
    """No last will is counted on from a broker on the board that was lost."""
    assert rows(tmp_path, "east", ('"127.0.0.1"', f'"{host}"'))["host_lost"].seconds is None


def test_a_serial_valve_has_no_will(tmp_path: Path) -> None:
    """A serial valve keeps its last order when the board dies, wherever the broker is."""
    assert rows(tmp_path, "west", REMOTE)["host_lost"].seconds is None


def test_a_lost_broker_silences_a_probe_that_speaks_through_it(tmp_path: Path) -> None:
    """A serial valve closes for a broker probe once its reading is stale."""
    probe = GOOD[GOOD.index('driver = "serial"') : GOOD.index("[chamber.valve]")]
    own = rows(tmp_path, "west", (probe, 'driver = "mqtt"\ntopic = "w/ph"\n'))

    assert own["broker_lost"].seconds == own["probe_silent"].seconds


def test_a_lost_broker_matters_little_to_a_chamber_without_it(tmp_path: Path) -> None:
    """With serial probe and valve only the tank's probe is lost, which closes when it is required."""
    optional = rows(tmp_path, "west")["broker_lost"]
    required = rows(tmp_path, "west", ('name = "display"', 'name = "display"\nrequired = true'))[
        "broker_lost"
    ]
    without = rows(tmp_path, "west", ('["west", "east"]', '["east"]'))["broker_lost"]

    assert (optional.seconds, "not required" in optional.by) == (0, True)
    assert required.seconds == 60 + TICK_S + 4.5
    assert (without.seconds, without.by) == (0, "no broker in this chamber's path")


def test_an_acknowledgement_is_no_report_of_the_position(tmp_path: Path) -> None:
    """A relay that answers a line has taken it; where its valve stands only feedback could say."""
    line = ('open_line = "OPEN"', 'open_line = "OPEN"\nreply_pattern = "ok"')
    topic = (ORDER, f'{ORDER}\nfeedback_topic = "greenhouse/east/gas"')
    site = load(write(tmp_path, changed(line, topic)), {})

    assert [limits.valve.feedback for limits in site.limits()] == [False, True]


def test_the_normal_gas_is_the_one_that_was_counted(tmp_path: Path) -> None:
    """Four times the gas through the needle leaves a quarter of the process safety time."""
    lean, own = (
        rows(tmp_path, "west", ('name = "west"', f'name = "west"\n{key}'))["host_lost"].process_safety_s
        for key in ("gas_ml_min = 1.0", "gas_ml_min = 4.0")
    )

    assert own == pytest.approx(lean / 4, rel=1e-3)


def test_half_of_the_process_safety_time_is_too_late(tmp_path: Path) -> None:
    """A cause is late when the water turns after more than half of the time, or nothing bounds it."""
    some = tuple(rows(tmp_path, "west").values())
    below = next(row.water_s for row in some if row.cause == "reading_below_floor")
    assert below is not None

    assert "reading_below_floor" not in late(some, 2.0 * below)
    assert "reading_below_floor" in late(some, 2.0 * below - 0.01)
    assert "valve_unreachable" in late(some, 1e9)


def test_more_than_half_of_the_time_is_warned_of(tmp_path: Path) -> None:
    """A chamber whose water turns within harm's time, but after half of it, is warned of by name."""
    below = "floor_ph = 6.60\nlongest_opening_s = 600\ngas_ml_min = {}"
    said = [
        next(
            warned.why
            for warned in warnings(load(write(tmp_path, changed(("floor_ph = 6.60", below.format(gas)))), {}))
            if warned.key == "chamber.west"
        )
        for gas in ("1.0", "4.0")
    ]

    assert "reading_below_floor" not in said[0]
    assert "harm comes in 252 s" in said[1]
    assert "over half of that goes by before the water turns after reading_below_floor" in said[1]
