"""Buffers against their published tables, an independent formula and PHREEQC."""

from __future__ import annotations

import pytest
from hypothesis import given, strategies as st
from nightheron.chemistry.bounds import OutOfRange
from nightheron.chemistry.buffers import BUFFERS, Buffer, BufferSet, bottle, buffer, buffer_ph

NIST, TECHNICAL = BufferSet.NIST, BufferSet.TECHNICAL

# NBS primary standards, digits as in Bates 1962 and IUPAC 2002 (read in a secondary copy), 0 to 40 degC.
PRINTED = {
    (NIST, "4.005"): "4.000 3.998 3.997 3.998 4.001 4.005 4.011 4.018 4.027",
    (NIST, "6.865"): "6.984 6.951 6.923 6.900 6.881 6.865 6.853 6.844 6.838",
    (NIST, "9.180"): "9.464 9.395 9.332 9.276 9.225 9.180 9.139 9.102 9.068",
    (NIST, "10.012"): "10.317 10.245 10.179 10.118 10.062 10.012 9.966 9.925 9.889",
    # Foxboro MI 611-211 (2005), table 7
    (TECHNICAL, "4.00"): "4.00 4.00 4.00 4.00 4.00 4.00 4.01 4.02 4.03",
    (TECHNICAL, "7.00"): "7.12 7.09 7.06 7.04 7.02 7.00 6.99 6.99 6.98",
    (TECHNICAL, "10.01"): "10.32 10.25 10.18 10.12 10.06 10.01 9.97 9.93 9.89",
}


@pytest.mark.parametrize(("which", "printed"), PRINTED.items())
def test_every_buffer_is_its_table(which: tuple[BufferSet, str], printed: str) -> None:
    """At the printed temperatures each buffer has the printed pH, and at 25 degC the one it is named by."""
    got = [buffer_ph(buffer(*which), 5.0 * i) for i in range(9)]
    assert got == pytest.approx([float(word) for word in printed.split()], abs=1e-9)
    assert buffer_ph(buffer(*which), 25.0) == pytest.approx(float(which[1]), abs=1e-9)


def test_no_buffer_is_left_out() -> None:
    """The tables checked here are all there are."""
    assert set(BUFFERS) == set(PRINTED)


# The formula of Hetzer et al. 1977 (abstract), fitted to other measurements than the table. They differ by
# 0.003 on average by their own word; within 0.002 from 15 to 30 degC and 0.010 at 0 degC.
@pytest.mark.parametrize("t_c", [15.0, 17.5, 20.0, 22.3, 24.0, 26.0, 28.0, 30.0])
def test_phthalate_between_its_points_follows_an_independent_formula(t_c: float) -> None:
    """The interpolated phthalate buffer lies within 0.002 of the formula of Hetzer et al. (1977)."""
    kelvin = t_c + 273.15
    formula = 2073.44 / kelvin - 13.3270 + 0.045199 * kelvin - 3.4846e-5 * kelvin**2
    assert buffer_ph(buffer(NIST, "4.005"), t_c) == pytest.approx(formula, abs=0.002)


# NIST certificates also print 37 degC (from memory): 4.022, 6.841, 9.088. None of it is in the table here.
@pytest.mark.parametrize(("name", "ph"), [("4.005", 4.022), ("6.865", 6.841), ("9.180", 9.088)])
def test_interpolation_meets_the_printed_37_degrees(name: str, ph: float) -> None:
    """At 37 degC, between two points, each primary buffer is within 0.001 of its certificate."""
    assert buffer_ph(buffer(NIST, name), 37.0) == pytest.approx(ph, abs=0.0011)


# A maker's three-decimal table of the 7.00 buffer: 0.013 apart from the other at 35 degC, so 0.02 is allowed.
SEVEN = (7.118, 7.087, 7.059, 7.036, 7.016, 7.000, 6.987, 6.977, 6.970)


def test_technical_seven_differs_by_maker() -> None:
    """Another maker's 7.00 stays within the tolerance stated for the buffer, and not within half of it."""
    off = [abs(buffer_ph(buffer(TECHNICAL, "7.00"), 5.0 * i) - ph) for i, ph in enumerate(SEVEN)]
    assert 0.01 < max(off) <= buffer(TECHNICAL, "7.00").tolerance_ph


def test_the_two_sevens_are_not_the_same() -> None:
    """6.865 and 7.00, both sold as pH 7, stay 0.13 apart at every temperature: the set must be named."""
    apart = [buffer_ph(buffer(TECHNICAL, "7.00"), t) - buffer_ph(buffer(NIST, "6.865"), t) for t in range(41)]
    assert 0.12 < min(apart) <= max(apart) < 0.16


@given(st.sampled_from(sorted(BUFFERS)), st.floats(0.0, 40.0))
def test_interpolation_stays_between_its_points(which: tuple[BufferSet, str], t_c: float) -> None:
    """Between two temperatures a buffer lies between its two values."""
    one = buffer(*which)
    left = min(int(t_c // 5.0), 7)
    low, high = sorted(one.ph[left : left + 2])
    assert low - 1e-12 <= buffer_ph(one, t_c) <= high + 1e-12


def test_the_bottle_has_the_last_word() -> None:
    """A table from a bottle is a buffer like any other, in whatever order it was typed."""
    mine = bottle("7.01", {25.0: 7.01, 20.0: 7.03, 30.0: 7.00})
    assert buffer_ph(mine, 22.5) == pytest.approx(7.02)
    assert (mine.set, mine.t_c) == (BufferSet.BOTTLE, (20.0, 25.0, 30.0))


@pytest.mark.parametrize("t_c", [-0.1, 40.1, float("nan")])
def test_no_buffer_outside_its_table(t_c: float) -> None:
    """A temperature outside the table is refused with the table's range."""
    with pytest.raises(OutOfRange, match=r"'6\.865' .* is not between 0 and 40"):
        buffer_ph(buffer(NIST, "6.865"), t_c)


def test_an_unknown_buffer_names_those_there_are() -> None:
    """Asking the technical set for 6.865 answers with its three buffers; a bottle has none here."""
    with pytest.raises(OutOfRange, match=r"there is 4\.00, 7\.00, 10\.01"):
        buffer(TECHNICAL, "6.865")
    with pytest.raises(OutOfRange, match="give its own table"):
        buffer(BufferSet.BOTTLE, "7.00")


@pytest.mark.parametrize(
    ("t_c", "ph"),
    [
        ((25.0,), (7.0,)),
        ((25.0, 20.0), (7.0, 7.0)),
        ((20.0, 20.0), (7.0, 7.0)),
        ((20.0, 25.0), (7.0, float("nan"))),
        ((20.0, 101.0), (7.0, 7.0)),
        ((20.0, 25.0), (7.0,)),
    ],
)
def test_a_table_that_is_none_is_refused(t_c: tuple[float, ...], ph: tuple[float, ...]) -> None:
    """One point, temperatures that do not rise, a NaN, or points without a partner make no buffer."""
    with pytest.raises(OutOfRange, match="buffer 'mine'"):
        Buffer(BufferSet.BOTTLE, "mine", t_c, ph, 0.02, "its bottle")
