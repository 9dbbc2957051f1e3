"""Pushes through the service's loop: who is told what, when, and what the journal says of it."""

from __future__ import annotations

from nightheron.model import NS, JsonValue
from nightheron.notify.outbox import Outbox
from nightheron.runtime.inbox import AlarmAct, JournalNews, Reply

from tests.support.pushes import ANA, PHONE, RUI, TellingBench

LOST = "west-chamber_ph_lost-1"


def lose_probe(bench: TellingBench, seconds: float = 90) -> None:
    bench.ph["west"] = None
    bench.wait(seconds)


def find_probe(bench: TellingBench, seconds: float) -> None:
    bench.ph["west"] = 6.9
    bench.wait(seconds)


def acked(bench: TellingBench) -> None:
    bench.inbox.post(AlarmAct("ack", None, "ana", Reply()))
    bench.step()


def gas_not_stopped(bench: TellingBench) -> None:
    """The chamber falls on long after its gas was shut."""
    for turn in range(120):
        bench.ph["west"] = 6.59 - 0.003 * turn
        bench.wait(5)
        if "not_stopping" in bench.reasons():
            return
    raise AssertionError("pH fell on and no alarm came")


def test_a_lost_probe_is_told_once_and_its_return_once() -> None:
    """One push when it was lost for the delay, and one when it was back for a quarter of an hour."""
    bench = TellingBench().open_gas()
    lose_probe(bench)
    assert bench.service.titles() == ["west: no good pH reading. Gas shut, 00:01."]
    lose_probe(bench, 600)
    find_probe(bench, 1000)
    assert len(bench.service.got) == 2
    assert bench.service.titles()[1].startswith("west: over since 00:12: no good pH reading")
    assert bench.states() == [(LOST, "accepted"), (f"{LOST}.over", "accepted")]
    assert not [name for name in bench.journal.outbox if not name.startswith("episode:")]


def test_a_night_of_a_flapping_probe_is_one_push_and_one_return() -> None:
    """Lost for two minutes and back for two, forty times: told once, and once when it stays well."""
    bench = TellingBench().open_gas()
    for _ in range(40):
        lose_probe(bench, 120)
        find_probe(bench, 120)
    find_probe(bench, 1000)
    assert [name for name, state in bench.states() if "ph_lost" in name and state == "accepted"] == [
        LOST,
        f"{LOST}.over",
    ]


def test_a_loss_of_six_seconds_tells_nobody() -> None:
    """A short loss shuts the gas, and neither wakes nor tells."""
    bench = TellingBench().open_gas()
    lose_probe(bench, 6)
    find_probe(bench, 300)
    assert bench.service.tries == 0


def test_a_wake_goes_up_the_ladder_until_somebody_has_seen_it() -> None:
    """At once to the phone, after 5 and 15 minutes to Rui and Ana, after 30 to the phone again."""
    bench = TellingBench().open_gas()
    gas_not_stopped(bench)
    bench.wait(1)
    assert [to for to, _, _ in bench.service.got] == [PHONE.label]
    assert "Rui is told at" in bench.service.got[0][2]
    bench.wait(280)
    assert len(bench.service.got) == 1
    bench.wait(30)
    assert [to for to, _, _ in bench.service.got] == [PHONE.label, RUI.label]
    bench.wait(3600)
    assert [to for to, _, _ in bench.service.got] == [PHONE.label, RUI.label, ANA.label, PHONE.label]


def test_seen_ends_the_ladder_and_is_written_down() -> None:
    """After an acknowledgement nobody else is told, and each accepted push is marked as seen."""
    bench = TellingBench().open_gas()
    gas_not_stopped(bench)
    bench.wait(60)
    acked(bench)
    bench.wait(4000)
    assert [to for to, _, _ in bench.service.got] == [PHONE.label]
    assert [state for _, state in bench.states()] == ["accepted", "seen"]


def test_who_was_woken_is_told_that_it_ended_by_itself() -> None:
    """Water that turns after all ends the ladder, and whoever was told so far hears it at once, once."""
    bench = TellingBench(quiet=lambda: 7200.0).open_gas()
    gas_not_stopped(bench)
    bench.wait(310)
    assert [to for to, _, _ in bench.service.got] == [PHONE.label, RUI.label]
    bench.ph["west"] = 6.65
    bench.wait(60)
    ended = [(to, title) for to, title, _ in bench.service.got[2:]]
    assert sorted(to for to, _ in ended) == [PHONE.label, RUI.label]
    assert all("over by itself" in title and "but look" in title for _, title in ended)
    bench.wait(4000)
    assert len(bench.service.got) == 4


def test_a_refused_push_is_tried_again_later_and_later_with_the_same_id() -> None:
    """Waits grow, each try is a row, nothing is lost, and what arrives carries one id."""
    bench = TellingBench().open_gas()
    bench.service.why_not = "the service did not accept it"
    lose_probe(bench, 600)
    tries = bench.service.tries
    assert 4 <= tries <= 8
    assert [state for _, state in bench.states()] == ["refused"] * tries
    bench.service.why_not = ""
    lose_probe(bench, 900)
    assert len(bench.service.got) == 1
    assert LOST in bench.service.got[0][2]
    assert bench.states()[-1] == (LOST, "accepted")


def test_what_ends_before_it_was_sent_is_withdrawn() -> None:
    """A notice in quiet hours whose cause ends in them is never sent, and the journal says so."""
    bench = TellingBench(quiet=lambda: 7200.0).open_gas()
    lose_probe(bench)
    find_probe(bench, 1200)
    assert bench.service.tries == 0
    assert bench.states() == [(LOST, "withdrawn")]


def test_a_wake_does_not_wait_for_quiet_hours() -> None:
    """What needs a hand now is told at once at any hour."""
    bench = TellingBench(quiet=lambda: 7200.0).open_gas()
    gas_not_stopped(bench)
    bench.wait(1)
    assert len(bench.service.got) == 1


def test_nothing_is_sent_before_its_row_is_on_disk() -> None:
    """While the journal hangs a notice waits for it, and goes out when it is written."""
    bench = TellingBench().open_gas()
    bench.ph["west"] = None
    bench.wait(58)
    bench.journal.commits = False
    bench.wait(10)
    assert any(row["reason"] == "chamber_ph_lost" for row in bench.journal.of("alarm"))
    assert bench.service.tries == 0
    bench.journal.recover()
    bench.wait(2)
    assert len(bench.service.got) == 1


def test_a_journal_that_is_the_fault_is_told_from_memory() -> None:
    """With a dead disk its own alarm goes out once, and is entered when the disk is back."""
    bench = TellingBench().open_gas()
    bench.journal.commits = False
    bench.wait(200)
    assert [title.partition(",")[0] for title in bench.service.titles()] == [
        "west: journal cannot be written. Gas shut"
    ]
    bench.journal.recover()
    bench.wait(30)
    assert ("west-not_recordable-1", "accepted") in bench.states()
    assert len([one for one in bench.service.got if "journal cannot" in one[1]]) == 1


def test_a_wake_goes_out_although_the_journal_hangs() -> None:
    """Gas that does not stop is told whatever the disk does."""
    bench = TellingBench().open_gas()
    bench.journal.commits = False
    bench.wait(30)
    gas_not_stopped(bench)
    bench.wait(2)
    assert any("GAS NOT STOPPED" in title for title in bench.service.titles())


def test_a_storm_is_one_push() -> None:
    """Many chambers that fall ill together are one message to each address."""
    names = [f"c{number}" for number in range(12)]
    bench = TellingBench(*names).wait(40)
    for name in names:
        bench.ph[name] = None
    bench.wait(100)
    assert len(bench.service.got) == 1
    assert "And 11 more." in bench.service.titles()[0]
    assert [state for _, state in bench.states()] == ["accepted"] * 12


def test_one_courier_a_channel_and_no_push_twice_while_it_lives() -> None:
    """A service that never answers holds one courier, not one after the other."""
    bench = TellingBench().open_gas()
    bench.service.mute = True
    lose_probe(bench, 600)
    assert bench.service.tries == 1


def test_a_lost_journal_queues_anew_what_it_held() -> None:
    """The outbox went with the journal; what was still to be told is queued in the new one."""
    bench = TellingBench().open_gas()
    bench.service.why_not = "no"
    lose_probe(bench)
    bench.journal.outbox.clear()
    bench.inbox.post(JournalNews(well=True, replaced=True))
    bench.step()
    assert f"{LOST}@json-phone" in bench.journal.outbox


def test_a_restart_goes_on_where_it_was() -> None:
    """What was not accepted is sent by the next run, what was is not, and the ladder goes on."""
    bench = TellingBench().open_gas()
    gas_not_stopped(bench)
    bench.wait(301)
    assert len(bench.service.got) == 2
    kept: dict[str, str] = dict(bench.journal.outbox)
    again = Outbox([PHONE], [[RUI], [ANA]])
    now_ns = 10**15
    assert again.restore(kept, now_ns) == []
    assert again.take(now_ns) == []
    assert again.ticked(now_ns + 599 * NS) == []
    (change,) = again.ticked(now_ns + 600 * NS)
    assert (change.push.channel, change.push.committed) == (ANA.label, False)


def test_an_address_that_is_gone_gives_its_pushes_up() -> None:
    """A push for an address that is no longer configured ends with a row, not in silence."""
    bench = TellingBench().open_gas()
    bench.service.why_not = "no"
    lose_probe(bench)
    (change,) = Outbox([RUI]).restore(bench.journal.outbox, 0)
    assert (change.push.id, change.state.value) == (LOST, "given_up")


def test_a_drill_reaches_everybody() -> None:
    """A drill goes to every address of the ladder too, says that nothing is wrong, and is written down."""
    bench = TellingBench().wait(1)
    bench.inbox.post(AlarmAct("drill", None, "ana", Reply()))
    bench.wait(2)
    assert {to for to, _, _ in bench.service.got} == {PHONE.label, RUI.label, ANA.label}
    assert all("DRILL, nothing is wrong" in title for _, title, _ in bench.service.got)
    acts: list[JsonValue] = [row["who"] for row in bench.journal.of("act")]
    assert acts == ["ana"]
