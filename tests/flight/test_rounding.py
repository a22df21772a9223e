"""Estimates are rounded by their intervals."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from phenofit.flight.result_text import decimals


def test_the_example_of_the_guide() -> None:
    # JCGM 100:2008, 7.2.6: y = 10,057 62 ohm with an uncertainty of 27 milliohm is rounded to 10,058 ohm.
    digits = decimals(10.05762, 10.05762 - 0.027, 10.05762 + 0.027)
    assert f"{10.05762:.{digits}f}" == "10.058"
    # 28,05 kHz as an uncertainty is 28 kHz.
    assert decimals(500.0, 500.0 - 28.05, 500.0 + 28.05) == 0


def test_an_open_end_leaves_the_other_one() -> None:
    assert decimals(10.0, 8.8, None) == 1
    assert decimals(10.0, None, float("nan")) is None
    assert decimals(10.0, 10.0, 10.0) is None


@given(st.floats(-1e4, 1e4), st.floats(1e-6, 1e5))
def test_two_digits_of_the_half_width_are_kept(estimate: float, half: float) -> None:
    digits = decimals(estimate, estimate - half, estimate + half)
    if estimate - half == estimate:
        return
    assert digits is not None
    step = 10.0**-digits
    assert digits == 0 or half / step == pytest.approx(half / step, rel=1e-9)
    if digits:
        assert 9.9 <= half / step <= 100.1
    else:
        assert half >= 9.9
    assert math.isfinite(step)
