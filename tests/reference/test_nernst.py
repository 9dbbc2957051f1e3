"""The electrode's slope against values computed from the exact SI constants."""

from __future__ import annotations

import pytest
from nightheron.chemistry.nernst import slope_mv_per_ph

# ln(10) R T / F with R and F exact since the 2019 SI (CODATA 2018, 2022); pure arithmetic.
TABLE = {
    0: 54.198814, 5: 55.190921, 10: 56.183028, 15: 57.175135, 20: 58.167243, 22: 58.564085,
    25: 59.159350, 28: 59.754614, 30: 60.151457, 35: 61.143564, 40: 62.135671,
}  # fmt: skip


@pytest.mark.parametrize(("t_c", "mv"), TABLE.items())
def test_slope_follows_the_exact_constants(t_c: int, mv: float) -> None:
    """The Nernst factor agrees with the CODATA constants to a millionth of a millivolt."""
    assert slope_mv_per_ph(t_c) == pytest.approx(mv, abs=1e-6)


def test_slope_rounds_to_the_published_figure() -> None:
    """The factor rounds to the 59.16 mV at 25 degC printed in the manual Emerson FCL-1056, section 6.4."""
    assert round(slope_mv_per_ph(25.0), 2) == 59.16


@pytest.mark.parametrize("t_c", [-0.1, 100.1, float("nan"), float("inf")])
def test_slope_refuses_what_is_no_water_temperature(t_c: float) -> None:
    """A temperature at which water is not liquid, or no number at all, is refused."""
    with pytest.raises(ValueError, match="between 0 and 100"):
        slope_mv_per_ph(t_c)
