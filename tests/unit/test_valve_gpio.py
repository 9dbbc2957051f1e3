"""A valve on an output pin, against a played chip: what the pin does, and what the valve says of it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings, strategies as st
from nightheron.model import NS, Gas
from nightheron_drivers import gpio_abi
from nightheron_drivers.gpio_abi import open_chip, request_output
from nightheron_drivers.protocols import Said
from nightheron_drivers.valve_gpio import GpioValve, hold

from tests.support.fake_gpio import LABEL, FakeKernel
from tests.support.gpio_header import RECORDED, header_numbers

LEASE_S = 6.0
CHIP = "/dev/gpiochip0"


@pytest.fixture
def kernel(tmp_path: Path) -> FakeKernel:
    """One played chip."""
    return FakeKernel(tmp_path)


def valve_on(kernel: FakeKernel, **keys: Any) -> GpioValve:
    """A valve on line 17 unless told otherwise; nothing is taken yet."""
    plan = {"chip": CHIP, "line": 17, "active_low": False, "bias": "shut", "watchdog_s": None}
    plan |= {"id": "west/0", "lease_s": LEASE_S, "travel_s": 2.0, "site": "site"} | keys
    (valve,) = hold([plan], None, "own", kernel)
    return valve


def heard(said: Sequence[Said]) -> list[tuple[str, Gas | None]]:
    """What was said, without the words."""
    return [(one.what, one.gas) for one in said]


def test_the_bytes_are_those_of_the_header(tmp_path: Path) -> None:
    """Sizes, call numbers, flags and the place of every field we write are what linux/gpio.h says."""
    said = header_numbers(tmp_path)
    ours = {name: getattr(gpio_abi, name) for name in said if name.isupper()}
    ours |= {
        "sizeof chip_info": gpio_abi.CHIP_INFO.size,
        "sizeof line_info": gpio_abi.LINE_INFO.size,
        "sizeof request": gpio_abi.REQUEST.size,
        "sizeof values": gpio_abi.VALUES.size,
    }

    assert {name: said[name] for name in ours} == ours
    assert said == RECORDED, "the played chip reads by the recorded places; write them down anew"


def test_taking_the_line_makes_it_an_output_that_is_shut(kernel: FakeKernel) -> None:
    """The first thing that happens to the pin is the shut level, in the call that makes it an output."""
    valve = valve_on(kernel)
    assert kernel.level(17) is None

    assert heard(valve.ready(0)) == [("link_up", None), ("acked", Gas.CLOSED)]
    assert kernel.level(17) == 0
    assert (kernel.board / "user-17").read_text() == "nightheron west/0"


def test_the_chip_is_not_kept_open(kernel: FakeKernel) -> None:
    """Once the line is taken only its own descriptor stays."""
    valve = valve_on(kernel)
    valve.ready(0)

    assert not kernel.chips
    assert list(kernel.held) == [valve.fileno()]


@pytest.mark.parametrize(
    ("keys", "flags"),
    [
        ({}, ("OUTPUT", "PULL_DOWN")),
        ({"bias": "off"}, ("OUTPUT",)),
        ({"active_low": True}, ("OUTPUT", "ACTIVE_LOW", "PULL_UP")),
        ({"active_low": True, "bias": "off"}, ("OUTPUT", "ACTIVE_LOW")),
    ],
)
def test_the_flags_ask_for_an_output_and_a_pull_toward_shut(
    kernel: FakeKernel, keys: dict[str, Any], flags: tuple[str, ...]
) -> None:
    """The direction is always asked for, and the chip's resistor never pulls toward open."""
    valve_on(kernel, **keys).ready(0)

    (held,) = kernel.held.values()
    assert held.flags == sum(RECORDED[name] for name in flags)


@pytest.mark.parametrize(("active_low", "opened"), [(False, 1), (True, 0)])
def test_orders_drive_the_pin_and_are_acknowledged_from_it(
    kernel: FakeKernel, active_low: bool, opened: int
) -> None:
    """OPEN and CLOSE become the right level, and the acknowledgement is what the pin reads."""
    valve = valve_on(kernel, active_low=active_low)
    valve.ready(0)
    assert kernel.level(17) == 1 - opened

    assert valve.order(Gas.OPEN, 1)
    assert kernel.level(17) == opened
    assert valve.deadline() == 0
    assert heard(valve.ready(2)) == [("acked", Gas.OPEN)]
    assert valve.order(Gas.CLOSED, 3)
    assert kernel.level(17) == 1 - opened
    assert heard(valve.ready(4)) == [("acked", Gas.CLOSED)]


def test_open_is_refused_before_the_line_is_there(kernel: FakeKernel) -> None:
    """Without a line nothing is sent, and the line that comes later starts shut."""
    valve = valve_on(kernel)
    assert not valve.order(Gas.OPEN, 0)
    assert not valve.order(Gas.CLOSED, 0)

    valve.ready(1)
    assert kernel.level(17) == 0


@pytest.mark.parametrize("keys", [{"line": "GPIO17"}, {"chip": LABEL}, {"chip": LABEL, "line": "GPIO17"}])
def test_chip_and_line_may_be_named(
    kernel: FakeKernel, keys: dict[str, Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A chip is found by its label and a line by its name, whatever their numbers."""
    monkeypatch.setattr(gpio_abi, "_paths", lambda: iter(["/dev/gpiochip7", CHIP]))

    assert ("link_up", None) in heard(valve_on(kernel, **keys).ready(0))
    assert kernel.level(17) == 0
    assert not kernel.chips


@pytest.mark.parametrize(
    ("keys", "why"),
    [
        ({"line": 18}, "the chip has lines 0 to 17, not 18"),
        ({"line": "GPIO99"}, "the chip has no line named GPIO99"),
        ({"line": "PUMP"}, "the chip has several lines named PUMP"),
        ({"chip": "/dev/gpiochip9"}, "No such file or directory"),
        ({"chip": "no-such-label"}, "no GPIO chip we may open has the label no-such-label"),
    ],
)
def test_a_line_that_cannot_be_found_is_a_lost_valve(
    kernel: FakeKernel, keys: dict[str, Any], why: str
) -> None:
    """What is not there, or not one line, is said in words, tried again later, and drives nothing."""
    valve = valve_on(kernel, **keys)

    (said,) = valve.ready(0)
    assert (said.what, why in said.text) == ("link_down", True)
    assert kernel.changes() == []
    assert not kernel.chips
    assert 0 < (valve.deadline() or 0) <= NS


def test_a_line_somebody_else_holds_is_named_and_taken_when_it_is_free(kernel: FakeKernel) -> None:
    """Who has the line is said; once it is free the valve takes it, shut."""
    other = FakeKernel(kernel.board)
    chip = open_chip(other, CHIP)
    taken = request_output(other, chip, 17, 0, "lamp")
    valve = valve_on(kernel)

    (said,) = valve.ready(0)
    assert "line 17 is used by lamp" in said.text
    other.close(taken)
    assert heard(valve.ready(valve.deadline() or 0)) == [("link_up", None), ("acked", Gas.CLOSED)]
    other.close(chip)


def test_a_pin_that_stays_open_is_told_and_never_acknowledged(kernel: FakeKernel) -> None:
    """A pin that reads open though ordered shut is reported as seen open, until it reads shut again."""
    valve = valve_on(kernel)
    valve.ready(0)
    valve.order(Gas.OPEN, 1)
    valve.ready(2)
    (kernel.board / "stuck-17").write_text("1")

    assert valve.order(Gas.CLOSED, 3)
    assert heard(valve.ready(4)) == [("feedback", Gas.OPEN)]
    (kernel.board / "stuck-17").unlink()
    assert heard(valve.ready(valve.deadline() or 0)) == [("feedback", Gas.CLOSED), ("acked", Gas.CLOSED)]


def test_a_pin_that_reads_open_from_the_start_gives_no_link(kernel: FakeKernel) -> None:
    """Until the pin was seen shut there is no link, so nothing may open."""
    (kernel.board / "stuck-17").write_text("1")
    valve = valve_on(kernel)

    assert heard(valve.ready(0)) == [("feedback", Gas.OPEN)]
    assert not valve.order(Gas.OPEN, 1)


def test_a_standing_order_is_written_again_every_third_of_a_lease(kernel: FakeKernel) -> None:
    """Open or shut, the pin is driven anew before another third of the lease has passed."""
    valve = valve_on(kernel)
    valve.ready(0)
    valve.order(Gas.OPEN, 0)
    valve.ready(1)
    before = len(kernel.changes())

    assert valve.deadline() == LEASE_S / 3 * NS
    valve.ready(int(LEASE_S / 3 * NS) - 1)
    assert len(kernel.changes()) == before
    valve.ready(int(LEASE_S / 3 * NS))
    assert [level for _, _, level in kernel.changes()[before:]] == [1]


def test_a_chip_that_vanishes_is_a_lost_valve_and_comes_back_shut(kernel: FakeKernel) -> None:
    """Losing the chip ends the opening; the line that is taken later is shut until a new order."""
    valve = valve_on(kernel)
    valve.ready(0)
    valve.order(Gas.OPEN, 1)
    (kernel.board / "gone").touch()

    assert not valve.order(Gas.OPEN, 2)
    assert heard(valve.ready(3))[-1] == ("link_down", None)
    assert valve.fileno() is None
    (kernel.board / "gone").unlink()
    assert heard(valve.ready(10 * NS)) == [("link_up", None), ("acked", Gas.CLOSED)]
    assert kernel.level(17) == 0


def test_a_descriptor_that_hung_up_is_noticed(kernel: FakeKernel, monkeypatch: pytest.MonkeyPatch) -> None:
    """When the kernel says that the chip was unbound, the valve is lost at once."""
    valve = valve_on(kernel)
    valve.ready(0)
    monkeypatch.setattr("nightheron_drivers.valve_gpio._gone", lambda fd: True)

    (said,) = valve.ready(1)
    assert (said.what, said.text) == ("link_down", f"{CHIP}: the GPIO chip is gone")


def test_finishing_leaves_the_pin_shut_and_lets_go(kernel: FakeKernel) -> None:
    """The last thing the pin hears is shut, even if the order before was OPEN."""
    valve = valve_on(kernel)
    valve.ready(0)
    valve.order(Gas.OPEN, 1)
    valve.finish(2)

    assert kernel.level(17) == 0
    assert (valve.fileno(), kernel.held) == (None, {})


STEPS = st.sampled_from(["open", "close", "turn", "later", "gone", "back", "stuck", "free"])


@settings(max_examples=150, deadline=None)
@given(steps=st.lists(STEPS, max_size=25), active_low=st.booleans())
def test_the_pin_is_open_only_while_the_last_order_is(
    tmp_path_factory: pytest.TempPathFactory, steps: list[str], active_low: bool
) -> None:
    """Whatever is ordered, lost and found again, a driven pin is open only after an OPEN that was taken."""
    kernel = FakeKernel(tmp_path_factory.mktemp("board"))
    valve, now_ns, ordered = valve_on(kernel, active_low=active_low), 0, Gas.CLOSED
    gone, stuck = kernel.board / "gone", kernel.board / "stuck-17"
    for step in steps:
        now_ns += NS // 10 if step != "later" else 3 * NS
        if step in ("open", "close"):
            ordered = Gas.OPEN if step == "open" else Gas.CLOSED
            if not valve.order(ordered, now_ns):
                ordered = Gas.CLOSED
        elif step == "stuck":
            stuck.write_text("1")
        elif step in ("gone", "back", "free"):
            gone.touch() if step == "gone" else (gone if step == "back" else stuck).unlink(missing_ok=True)
        said = valve.ready(now_ns)
        if any(one.what == "link_down" for one in said):
            ordered = Gas.CLOSED
        if valve.fileno() is not None:
            driven = int((kernel.board / "17").read_text())
            assert (driven != int(active_low)) == (ordered is Gas.OPEN)
        seen = None if kernel.level(17) is None else kernel.level(17) != int(active_low)
        for one in said:
            assert one.what != "acked" or (one.gas is Gas.OPEN) == seen or one is not said[-1]
    valve.finish(now_ns)
