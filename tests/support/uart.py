"""A serial line bit by bit: what a receiver at one rate makes of bytes sent at another. 8N1, idle high."""

from __future__ import annotations

from collections.abc import Iterable


def received(bursts: Iterable[tuple[float, bytes]], sent_at: int, read_at: int) -> list[tuple[float, bytes]]:
    """Bursts of (time in s, bytes) as they are heard at ``read_at`` bits a second."""
    return [(at_s, _heard(_levels(data), sent_at, read_at)) for at_s, data in bursts]


def _levels(data: bytes) -> list[int]:
    """Each bit time's level: a start bit, eight bits with the lowest first, a stop bit."""
    levels = []
    for byte in data:
        levels += [0, *((byte >> bit) & 1 for bit in range(8)), 1]
    return levels


def _heard(levels: list[int], sent_at: int, read_at: int) -> bytes:
    def level(time_bits: float) -> int:
        """The level at a time counted in the receiver's bits."""
        place = int(time_bits * sent_at / read_at)
        return levels[place] if place < len(levels) else 1

    found, at, end = bytearray(), 0.0, len(levels) * read_at / sent_at
    step = 1 / 16  # receivers look sixteen times a bit
    while at < end:
        if level(at):
            at += step
        elif level(at + 0.5):
            at += step  # too short for a start bit
        else:
            found.append(sum(level(at + 1.5 + bit) << bit for bit in range(8)))
            at += 9.5
            while at < end and not level(at):
                at += step  # a framing error: wait for the line to be idle
    return bytes(found)
