"""Directions and inverses of the melt model over its whole range, beside the point checks."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotbench.models import melt

ALPHA_L, FLOWS = st.floats(0.1, 10.0), st.floats(0.5, 50.0)
CRITERIA = st.sampled_from(melt.CRITERIA)
WALLS_C, SOFT_C = st.floats(180.0, 300.0), st.floats(80.0, 170.0)


@given(CRITERIA, ALPHA_L, SOFT_C, WALLS_C, st.floats(0.5, 30.0))
def test_hotter_walls_melt_more(
    criterion: melt.Criterion, alpha_L: float, soft_C: float, wall_C: float, more_K: float
) -> None:
    cool, hot = melt.flow_limit_mm3_per_s(
        np.array([wall_C, wall_C + more_K]), alpha_L, soft_C, feed_C=30.0, criterion=criterion
    )
    assert 0.0 < cool < hot


@given(CRITERIA, ALPHA_L, SOFT_C, WALLS_C)
def test_a_longer_zone_melts_in_proportion(
    criterion: melt.Criterion, alpha_L: float, soft_C: float, wall_C: float
) -> None:
    one, two = (
        melt.flow_limit_mm3_per_s(wall_C, times * alpha_L, soft_C, feed_C=30.0, criterion=criterion)
        for times in (1.0, 2.0)
    )
    assert two == pytest.approx(2.0 * one)


@given(ALPHA_L, SOFT_C, WALLS_C)
def test_the_mean_softens_before_the_centre(alpha_L: float, soft_C: float, wall_C: float) -> None:
    centre, mean = (
        melt.flow_limit_mm3_per_s(wall_C, alpha_L, soft_C, feed_C=30.0, criterion=criterion)
        for criterion in melt.CRITERIA
    )
    assert mean > centre


@given(WALLS_C, FLOWS, ALPHA_L)
def test_melt_leaves_between_feed_and_wall(wall_C: float, flow: float, alpha_L: float) -> None:
    slow, fast = melt.exit_temperature_C(wall_C, np.array([flow, 1.5 * flow]), alpha_L, feed_C=30.0)
    assert 30.0 < fast <= slow <= wall_C + 1e-9


@given(st.floats(0.2, 3.0), st.floats(3.0, 30.0), st.floats(180.0, 260.0))
def test_a_kept_exit_temperature_is_kept(alpha_L: float, flow: float, wall_C: float) -> None:
    wanted_C = melt.exit_temperature_C(wall_C, 8.0, alpha_L, feed_C=30.0)
    at_C = melt.constant_exit_wall_C(
        flow, alpha_L, feed_C=30.0, reference_wall_C=wall_C, reference_flow_mm3_per_s=8.0
    )
    assert melt.exit_temperature_C(at_C, flow, alpha_L, feed_C=30.0) == pytest.approx(wanted_C)


@given(FLOWS, FLOWS, st.floats(1.0, 15.0), st.floats(0.9, 1.05))
def test_the_delivered_ratio_falls_through_the_limit(
    flow: float, limit: float, exponent: float, full: float
) -> None:
    here, faster = melt.delivered_ratio(np.array([flow, 1.2 * flow]), limit, exponent, full)
    assert 0.0 <= faster <= here <= full
    assert melt.delivered_ratio(limit, limit, exponent, full) == pytest.approx(0.95 * full)


@given(st.floats(-5.0, 20.0), st.floats(0.0, 2.0), FLOWS)
def test_the_lower_limit_governs_and_is_named(headroom: float, load: float, flow: float) -> None:
    heater = melt.saturation_flow_mm3_per_s(headroom, load)
    assert heater >= 0.0
    governing, cause = melt.governing_flow(flow, heater)
    assert governing == min(flow, heater)
    assert cause == ("heater power" if heater < flow else "melting")
