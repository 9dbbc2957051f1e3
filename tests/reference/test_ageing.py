"""The line through calibrations against a textbook's example, and what it says of probes that age."""

from __future__ import annotations

import pytest
from nightheron.guard.ageing import DAY_S, Record, ageing, leaves_band, t_95, trend
from scipy.stats import t as student

X = [0.99, 1.02, 1.15, 1.29, 1.46, 1.36, 0.87, 1.23, 1.55, 1.40]
X += [1.19, 1.15, 0.98, 1.01, 1.11, 1.20, 1.26, 1.32, 1.43, 0.95]
Y = [90.01, 89.05, 91.43, 93.74, 96.73, 94.45, 87.59, 91.77, 99.42, 93.65]
Y += [93.54, 92.52, 90.56, 89.54, 89.85, 90.39, 93.25, 93.41, 94.98, 87.33]
OXYGEN = tuple(zip(X, Y, strict=True))
"""Montgomery and Runger, Applied Statistics and Probability for Engineers, table 11-1 (from memory)."""


def records(slopes: list[float], every_d: float = 14.0) -> list[Record]:
    return [Record(n * every_d * DAY_S, slope, -2.0 + 0.1 * (n % 2)) for n, slope in enumerate(slopes)]


def test_line_and_interval_of_the_textbook() -> None:
    """Purity is 74.283 + 14.947 x, variance 1.18; at x = 1 a further point is 86.83 to 91.63 (95 %)."""
    line = trend(OXYGEN)
    assert line is not None
    assert line.slope == pytest.approx(14.947, abs=5e-4)
    assert line.at(0.0) == pytest.approx(74.283, abs=5e-4)
    assert line.sd**2 == pytest.approx(1.18, abs=5e-3)
    assert line.across == pytest.approx(0.68088, abs=5e-6)
    doubt = line.doubt(1.0, 2.101)
    assert (line.at(1.0) - doubt, line.at(1.0) + doubt) == pytest.approx((86.83, 91.63), abs=0.01)


@pytest.mark.parametrize("freedom", [1, 2, 5, 10, 20, 21, 40, 200])
def test_student(freedom: int) -> None:
    """The table and what follows it agree with scipy to three digits."""
    assert t_95(freedom) == pytest.approx(student.ppf(0.95, freedom), abs=1e-3)


def test_a_probe_that_loses_a_percent_a_week_is_told_with_its_days() -> None:
    """From 98 %, two weeks apart: after five calibrations the day of 90 % is named, and it is inside."""
    worn = [98.1, 95.9, 94.0, 92.1, 89.9 + 0.3]
    leaves = leaves_band([(14.0 * n, s) for n, s in enumerate(worn)], (90.0, 105.0))
    assert leaves is not None and leaves.latest_d is not None
    assert leaves.soonest_d <= leaves.likely_d <= leaves.latest_d
    assert leaves.likely_d in (0, 1, 2)
    (told,) = ageing(records(worn))
    assert "the probe's slope went from 98.1 to 90.2 %" in told


def test_a_probe_that_does_not_age_is_not_spoken_of() -> None:
    """Scatter without a trend, a slow trend, and two calibrations alone say nothing."""
    assert ageing(records([98.0, 98.4, 97.9, 98.3, 98.1])) == []
    assert ageing(records([98.0, 97.9, 97.9, 97.8, 97.7, 97.7])) == []
    assert ageing(records([98.0, 92.0])) == []
    assert ageing(records([98.0, 96.0, 94.0], every_d=0.0)) == []
    assert trend([(0.0, 98.0), (14.0, float("nan")), (28.0, 94.0)]) is None


def test_doubt_without_end_is_called_so() -> None:
    """Three calibrations that fall, with much scatter, have a soonest day and no latest one."""
    leaves = leaves_band([(0.0, 98.0), (14.0, 95.6), (28.0, 94.2)], (90.0, 105.0))
    assert leaves is not None
    assert leaves.latest_d is None
    assert leaves.soonest_d < leaves.likely_d
