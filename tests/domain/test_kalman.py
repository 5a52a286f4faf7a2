"""The batched filter and smoother against two reference libraries, with gaps: statsmodels and simdkalman."""

import numpy as np
import pytest
import simdkalman
from statsmodels.tsa.statespace.mlemodel import MLEModel

from service.domain import kalman

TOLERANCE = 1e-8
TRANSITION = np.array([[1.0, 1.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 0.6]])  # level, slope, autocorrelated noise
PROCESS = np.diag([0.01, 0.0004, 0.05])
H = np.array([1.0, 0.0, 1.0])
NOISE = 0.12
MEAN = np.array([80.0, -0.05, 0.0])
COV = np.diag([4.0, 0.01, 0.1])


@pytest.fixture(scope="module")
def values():
    rng = np.random.default_rng(20240)
    values = 80.0 - 0.05 * np.arange(90) + rng.normal(0, 0.5, (7, 90))
    values[rng.random((7, 90)) < 0.3] = np.nan
    values[2, 20:45] = np.nan
    values[3, :10] = np.nan
    values[4, -10:] = np.nan
    return values


@pytest.fixture(scope="module")
def ours(values):
    return kalman.run(values, TRANSITION, H, NOISE, PROCESS, MEAN, COV)


def test_equal_to_statsmodels(values, ours):
    for i, series in enumerate(values):
        model = MLEModel(series, k_states=3, initialization="known", initial_state=MEAN, initial_state_cov=COV)
        model["design"] = H[None]
        model["transition"] = TRANSITION
        model["selection"] = np.eye(3)
        model["state_cov"] = PROCESS
        model["obs_cov"] = np.array([[NOISE]])
        result = model.ssm.smooth()
        np.testing.assert_allclose(ours.filtered_mean[:, :, i], result.filtered_state.T, atol=TOLERANCE, rtol=0)
        np.testing.assert_allclose(
            ours.filtered_cov[..., i], np.moveaxis(result.filtered_state_cov, 2, 0), atol=TOLERANCE, rtol=0
        )
        np.testing.assert_allclose(ours.smoothed_mean[:, :, i], result.smoothed_state.T, atol=TOLERANCE, rtol=0)
        np.testing.assert_allclose(
            ours.smoothed_cov[..., i], np.moveaxis(result.smoothed_state_cov, 2, 0), atol=TOLERANCE, rtol=0
        )
        assert ours.log_likelihood[i] == pytest.approx(result.llf_obs.sum(), abs=TOLERANCE)


def test_equal_to_simdkalman(values, ours):
    reference = simdkalman.KalmanFilter(TRANSITION, PROCESS, H[None], np.array([[NOISE]]))
    result = reference.compute(
        values, 0, initial_value=MEAN, initial_covariance=COV, filtered=True, smoothed=True, log_likelihood=True
    )
    moved = np.moveaxis(ours.filtered_mean, 2, 0)
    np.testing.assert_allclose(moved, result.filtered.states.mean, atol=TOLERANCE, rtol=0)
    np.testing.assert_allclose(np.moveaxis(ours.filtered_cov, 3, 0), result.filtered.states.cov, atol=TOLERANCE, rtol=0)
    np.testing.assert_allclose(
        np.moveaxis(ours.smoothed_mean, 2, 0), result.smoothed.states.mean, atol=TOLERANCE, rtol=0
    )
    np.testing.assert_allclose(np.moveaxis(ours.smoothed_cov, 3, 0), result.smoothed.states.cov, atol=TOLERANCE, rtol=0)
    seen = (~np.isnan(values)).sum(axis=1)
    constant = 0.5 * seen * np.log(2 * np.pi)  # this library leaves it out
    np.testing.assert_allclose(ours.log_likelihood + constant, result.log_likelihood, atol=TOLERANCE, rtol=0)


def test_last_day_is_the_same_filtered_and_smoothed(ours):
    assert np.array_equal(ours.filtered_mean[-1], ours.smoothed_mean[-1])
    assert np.array_equal(ours.filtered_cov[-1], ours.smoothed_cov[-1])


@pytest.mark.parametrize("size", [1, 2, 3, 5])
def test_neighbours_and_batch_size_change_no_bit(values, ours, size):
    part = kalman.run(values[:size], TRANSITION, H, NOISE, PROCESS, MEAN, COV)
    assert np.array_equal(part.filtered_mean, ours.filtered_mean[..., :size])
    assert np.array_equal(part.smoothed_cov, ours.smoothed_cov[..., :size])
    assert np.array_equal(part.log_likelihood, ours.log_likelihood[:size])
