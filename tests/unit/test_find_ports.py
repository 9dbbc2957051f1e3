"""Which name of a serial port lasts, and who holds it."""

from __future__ import annotations

from pathlib import Path

from nightheron_drivers.find_ports import Device, holder, named

ONE = Device("/dev/ttyUSB0", "made-up adapter", 0x1234, 0x10, "A1")
TWO = Device("/dev/ttyUSB1", "made-up adapter", 0x1234, 0x10, "A2")
NO_NUMBER = Device("/dev/ttyUSB2", "plain adapter", 0x1234, 0x20, None)


def test_a_serial_number_of_its_own_gives_by_id() -> None:
    """Two adapters with different serial numbers are each named by it."""
    links = {
        "by-id": {"/x/by-id/a1-if00-port0": "/dev/ttyUSB0", "/x/by-id/a2-if00-port0": "/dev/ttyUSB1"},
        "by-path": {"/x/by-path/1": "/dev/ttyUSB0", "/x/by-path/2": "/dev/ttyUSB1"},
    }
    assert [port.name for port in named([ONE, TWO], links)] == list(links["by-id"])


def test_a_name_that_two_adapters_share_is_not_used() -> None:
    """Two adapters with one serial number have one by-id link between them: both go by their sockets."""
    twin = Device("/dev/ttyUSB1", "made-up adapter", 0x1234, 0x10, "A1")
    links = {
        "by-id": {"/x/by-id/a1-if00-port0": "/dev/ttyUSB1"},
        "by-path": {"/x/by-path/1": "/dev/ttyUSB0", "/x/by-path/2": "/dev/ttyUSB1"},
    }
    found = named([ONE, twin], links)
    assert [port.name for port in found] == ["/x/by-path/1", "/x/by-path/2"]
    assert all("another adapter here has the same one" in port.why for port in found)


def test_an_adapter_with_two_ports_keeps_by_id() -> None:
    """Two ports of one adapter share its serial number and are told apart by their interface."""
    second = Device("/dev/ttyUSB1", "made-up adapter", 0x1234, 0x10, "A1")
    links = {
        "by-id": {"/x/by-id/a1-if00-port0": "/dev/ttyUSB0", "/x/by-id/a1-if01-port0": "/dev/ttyUSB1"},
        "by-path": {"/x/by-path/1": "/dev/ttyUSB0", "/x/by-path/2": "/dev/ttyUSB1"},
    }
    assert [port.name for port in named([ONE, second], links)] == list(links["by-id"])


def test_an_adapter_without_a_serial_number_goes_by_its_socket() -> None:
    """Its by-id name would fit any adapter of its kind, so by-path is taken and the reason told."""
    links = {
        "by-id": {"/x/by-id/plain-if00-port0": "/dev/ttyUSB2"},
        "by-path": {"/x/by-path/3": "/dev/ttyUSB2"},
    }
    (found,) = named([NO_NUMBER], links)
    assert found.name == "/x/by-path/3"
    assert "it has none" in found.why
    (without,) = named([NO_NUMBER], {"by-id": links["by-id"]})
    assert without.name == "/x/by-id/plain-if00-port0"
    assert "any of its kind" in without.why


def test_without_links_the_device_stands_with_a_warning() -> None:
    """Off USB a device's own name lasts; on USB it may change, and that is said."""
    board, stick = named([Device("/dev/ttyAMA0"), ONE], {})
    assert (board.name, board.why) == ("/dev/ttyAMA0", "on the board, where names stay")
    assert stick.name == "/dev/ttyUSB0"
    assert "may have another tomorrow" in stick.why


def test_who_holds_a_port_is_named(tmp_path: Path) -> None:
    """A process with the device open is named; a pseudo-terminal's maker, who holds both ends, is not."""
    fds = tmp_path / "4242" / "fd"
    fds.mkdir(parents=True)
    (fds / "3").symlink_to("/dev/ttyUSB0")
    (fds / "4").symlink_to("/dev/pts/7")
    (tmp_path / "4242" / "comm").write_text("terminal\n")
    (tmp_path / "self").mkdir()
    assert holder("/dev/ttyUSB0", tmp_path) == "terminal (pid 4242)"
    assert holder("/dev/ttyUSB1", tmp_path) is None
    assert holder("/dev/pts/7", tmp_path) is None
