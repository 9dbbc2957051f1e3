"""The rig's serial lines, from the driver's end."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from nightheron.rig.lines import SerialLine


@pytest.fixture
def link(tmp_path: Path) -> Path:
    """Where the line's name lies."""
    return tmp_path / "west-valve"


def test_lines_go_both_ways(link: Path) -> None:
    """What the rig writes the driver reads, and orders come back whole however they were cut."""
    line = SerialLine(link)
    port = os.open(link, os.O_RDWR | os.O_NOCTTY)
    line.write("6.81")
    assert os.read(port, 100) == b"6.81\r\n"
    os.write(port, b"OPEN 5\nCLO")
    assert line.lines() == ["OPEN 5"]
    os.write(port, b"SE\n")
    assert line.lines() == ["CLOSE"]
    assert line.lines() == []
    os.close(port)
    line.close()
    assert not link.is_symlink()


def test_nobody_reads(link: Path) -> None:
    """Lines that nobody reads are lost and never hold the rig up; a late reader gets newer ones."""
    line = SerialLine(link)
    for number in range(10_000):
        line.write(f"{number:05}")
    port = os.open(link, os.O_RDWR | os.O_NOCTTY)
    got = os.read(port, 100)
    assert int(got[:5]) > 5000
    os.close(port)
    line.close()


def test_a_name_left_behind_is_taken_over(link: Path) -> None:
    """A link of a rig that was killed is replaced; a file that is no link is left alone."""
    link.symlink_to("/dev/pts/99999")
    line = SerialLine(link)
    assert link.resolve() != Path("/dev/pts/99999")
    line.close()
    link.write_text("mine")
    with pytest.raises(FileExistsError):
        SerialLine(link)
    assert link.read_text() == "mine"
