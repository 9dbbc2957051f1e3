"""The guard's loop, on a virtual clock."""

from __future__ import annotations

from dataclasses import replace

from nightheron.model import NS, Act, Gas, KeeperSaid, ValveSaid
from nightheron.runtime.clock import VirtualClock
from nightheron.runtime.loop import NOT_RECORDABLE_S

from tests.support.loops import TICK_NS, Bench
from tests.support.night import TANK


def test_gas_opens_only_after_the_settle_window_and_the_row() -> None:
    """Gas opens once the settle window is full and the opening's row is on disk, and not before."""
    bench = Bench()
    bench.wait(25)
    assert bench.gas("west") is Gas.CLOSED
    bench.open_gas()
    assert "open" in [body["gas"] for body in bench.journal.of("decision")]


def test_no_row_no_gas() -> None:
    """While the opening's row is not on disk no OPEN is ordered."""
    bench = Bench()
    bench.journal.commits = False
    bench.wait(10 + NOT_RECORDABLE_S)
    bench.wait(60)
    assert ("west", "open") not in bench.keepers.orders


def test_one_low_reading_closes_in_the_same_step() -> None:
    """One reading below the floor closes in the step that takes it."""
    bench = Bench().open_gas()
    bench.hear("west", 6.59)
    bench.step()
    assert bench.gas("west") is Gas.CLOSED
    assert bench.reasons()[0] == "floor"


def test_a_close_that_follows_an_opening_in_one_step_wins() -> None:
    """Of a renewal and a low reading in one step, only the close reaches the valve."""
    bench = Bench().open_gas()
    bench.clock.advance(2 * NS)
    bench.hear("west", 6.9, at_ns=bench.clock.now_ns() - NS)
    bench.hear("west", 6.5)
    before = len(bench.keepers.orders)
    bench.step()
    assert bench.keepers.orders[before:] == [("west", "close")]


def test_all_closes_leave_before_any_opening() -> None:
    """In one step closes of any chamber go out before openings of any other."""
    bench = Bench("west", "east").open_gas()
    bench.clock.advance(2 * NS)
    bench.hear("west", 6.9)
    bench.hear("east", 6.5)
    before = len(bench.keepers.orders)
    bench.step()
    assert bench.keepers.orders[before:] == [("east", "close"), ("west", "open")]


def test_one_chamber_s_cut_leaves_the_others_open() -> None:
    """A chamber that is cut does not touch its neighbour."""
    bench = Bench("west", "east").open_gas()
    bench.hear("east", 6.5)
    bench.wait(2)
    assert (bench.gas("west"), bench.gas("east")) == (Gas.OPEN, Gas.CLOSED)


def test_tank_readings_reach_every_chamber_that_feeds_it() -> None:
    """A low tank closes every chamber that feeds it."""
    from nightheron_drivers.protocols import Heard

    bench = Bench("west", "east", tank=replace(TANK, required=False)).open_gas()
    bench.inbox.post(Heard("tank/display/0", bench.clock.now_ns(), 7.5, "7.5"))
    bench.step()
    assert "tank_low" in bench.reasons("west")
    assert "tank_low" in bench.reasons("east")
    assert (bench.gas("west"), bench.gas("east")) == (Gas.CLOSED, Gas.CLOSED)


def test_a_late_loop_closes_every_chamber() -> None:
    """A gap above half the shortest lease closes, and says so."""
    bench = Bench("west", "east").open_gas()
    bench.clock.advance(3 * NS)
    bench.step()
    for name in bench.names:
        assert bench.gas(name) is Gas.CLOSED
        assert bench.loop.view.decisions[bench.names.index(name)].reason == "guard_late"
    assert not bench.loop.on_time


def test_a_late_loop_blames_itself_before_the_silence_it_made() -> None:
    """What was heard after a long gap, sound or not, leaves the gap the first reason."""
    for value in (None, 6.9):
        bench = Bench().open_gas()
        bench.clock.advance(20 * NS)
        bench.hear("west", value)
        bench.step()
        assert bench.gas("west") is Gas.CLOSED
        assert bench.loop.view.decisions[0].reason == "guard_late"


def test_a_gap_within_half_a_lease_is_not_late() -> None:
    """A gap of less than half the lease changes nothing."""
    bench = Bench().open_gas()
    bench.clock.advance(2 * NS)
    bench.hear("west", 6.9)
    bench.step()
    assert bench.gas("west") is Gas.OPEN
    assert bench.loop.on_time


def test_a_keeper_that_is_gone_closes() -> None:
    """Word of a lost keeper closes and is the first reason."""
    bench = Bench().open_gas()
    bench.keepers.said.append(("west", KeeperSaid(0, alive=False, why="killed")))
    bench.step()
    assert bench.loop.view.decisions[0].reason == "keeper_lost"
    assert bench.keepers.orders[-1] == ("west", "close")


def test_a_lost_link_closes() -> None:
    """Word of a lost valve closes."""
    bench = Bench().open_gas()
    bench.keepers.said.append(("west", ValveSaid(0, 0, link=False, acked=None, why="broker gone")))
    bench.step()
    assert bench.loop.view.decisions[0].reason == "valve_lost"


def test_a_row_that_waits_too_long_closes_and_the_journal_s_return_permits() -> None:
    """15 s without a commit close; when the rows are on disk the objection goes."""
    bench = Bench().open_gas()
    bench.journal.commits = False
    bench.hear("west", 6.5)
    bench.wait(NOT_RECORDABLE_S + 2)
    assert "not_recordable" in bench.reasons()
    bench.journal.recover()
    bench.wait(2)
    assert "not_recordable" not in bench.reasons()


def test_a_journal_that_takes_nothing_closes() -> None:
    """A row that is refused closes gas at the next step."""
    bench = Bench().open_gas()
    bench.journal.takes = False
    bench.wait(62)
    assert "not_recordable" in bench.reasons()
    assert bench.gas("west") is Gas.CLOSED


def test_the_writer_s_own_word_closes() -> None:
    """The writer saying it cannot commit closes at once, and a replaced journal latches."""
    bench = Bench().open_gas()
    bench.journal_says(well=False)
    assert bench.gas("west") is Gas.CLOSED
    bench.journal_says(well=True, replaced=True)
    assert "new_journal" in bench.reasons()


def test_a_backlog_never_permits_and_still_closes() -> None:
    """Messages that come long behind others are refused, unless they are low."""
    bench = Bench().open_gas()
    stamp = bench.clock.now_ns() - 5 * NS
    bench.hear("west", 6.95, at_ns=stamp)
    bench.step()
    bench.loop.recorder.witness(0)
    bench.wait(0.25)
    refused = [getattr(e, "refused", None) for _, _, events in bench.journal.rows for e in events]
    assert "backlog" in refused
    bench.hear("west", 6.4, at_ns=stamp)
    bench.step()
    assert bench.gas("west") is Gas.CLOSED


def test_event_times_never_run_backward_and_are_whole_milliseconds() -> None:
    """Every event fed has a time at or after the one before, in whole milliseconds."""
    bench = Bench().wait(3)
    bench.hear("west", 6.9, at_ns=bench.clock.now_ns() - 123_456)
    bench.hear("west", 6.9, at_ns=bench.clock.now_ns() + 10 * NS + 7)
    bench.wait(70)
    times = [e.at_ns for _, body, events in bench.journal.rows for e in events]
    assert len(times) > 300
    assert times == sorted(times)
    assert all(t % 1_000_000 == 0 for t in times)


def test_acts_are_answered_and_written_down() -> None:
    """A hold closes at once, its row names who and why, and no time ends it."""
    bench = Bench().open_gas()
    assert bench.act(Act.SERVICE_ON, for_s=60) is None
    assert bench.gas("west") is Gas.CLOSED
    bench.wait(200)
    assert bench.loop.view.decisions[0].state == "service"
    assert [alarm.reason for alarm in bench.loop.view.alarms] == ["service"]
    assert bench.act(Act.SERVICE_OFF) is None
    assert bench.loop.view.decisions[0].state != "service"
    rows = bench.journal.of("act")
    assert [(r["act"], r["who"], r["why"]) for r in rows] == [
        ("service_on", "ana", "cleaning"),
        ("service_off", "ana", "cleaning"),
    ]


def test_a_refused_release_says_why_and_a_wrong_name_too() -> None:
    """A release whose cause holds is refused with a sentence; so is a chamber that is not there."""
    bench = Bench().open_gas()
    for _ in range(8):
        bench.ph["west"] = 6.0
        bench.wait(1)
    assert bench.loop.view.decisions[0].state == "latched"
    refused = bench.act(Act.RELEASE)
    assert refused is not None
    assert "deep_low" in refused
    assert bench.act(Act.RELEASE, "north") == 'there is no chamber "north"'


def test_the_end_closes_and_accounts_for_everything() -> None:
    """Stopping closes every chamber, and every evaluation is in some row."""
    bench = Bench("west", "east").open_gas()
    bench.loop.end()
    assert [bench.gas(n) for n in bench.names] == [Gas.CLOSED, Gas.CLOSED]
    for name in bench.names:
        rows = [
            (b, e) for k, b, e in bench.journal.rows if k in ("decision", "witness") and b["chamber"] == name
        ]
        assert sum(int(str(body["evaluations"])) for body, _ in rows) == sum(
            len(events) for _, events in rows
        )


def test_the_same_inputs_give_the_same_rows() -> None:
    """Two loops fed alike write the same bodies."""
    first, second = Bench("west", "east").wait(100), Bench("west", "east").wait(100)
    assert first.journal.rows == second.journal.rows


def test_a_virtual_clock_does_not_run_backward() -> None:
    """Time that is moved by hand moves forward only, in whole milliseconds."""
    clock = VirtualClock()
    before = clock.now_ns()
    assert clock.advance(1_500_000) == before + 1_000_000
    try:
        clock.advance(-1)
    except ValueError:
        return
    raise AssertionError(f"went back from {before}, tick {TICK_NS}")
