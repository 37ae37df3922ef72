"""The blurred bar: bias over width, blur and phase, and its scatter against the bounds."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.special import ndtr

from padsheet.scoring.edges import BarFit, _model, fit_bars

Floats = NDArray[np.float64]

NOISE, CONTRAST = 0.01, 0.6


def bar(u: Floats, middle: float, width: float, blur: float) -> Floats:
    return np.asarray(ndtr((u - middle + width / 2) / blur) - ndtr((u - middle - width / 2) / blur))


def places(width: float, blur: float, step: float = 0.5) -> Floats:
    """Places in pixels, half a pixel apart as the scorer samples them."""
    count = math.ceil((width / 2 + 5 * blur + 3) / step)
    return np.arange(-count, count + 1) * step


def fitted(profiles: Floats, u: Floats, blur: float, *, blur_sd: float = 0.10) -> BarFit:
    return fit_bars(
        np.atleast_2d(profiles),
        u,
        blur=np.full(len(np.atleast_2d(profiles)), blur),
        blur_sd=blur_sd,
        rim=0.8,
        rim_sd=1e-3,
        tilt_sd=1e-3,
    )


CASES = [
    (width, blur)
    for width in (1.5, 2.0, 3.0, 4.5, 7.0, 10.0, 15.0)
    for blur in (0.6, 1.0, 1.6, 2.5)
    if width >= 2.0 * blur
]


@pytest.mark.parametrize(("width", "blur"), CASES)
@pytest.mark.parametrize("contrast", [0.6, -0.5])
def test_width_at_every_phase_and_in_both_polarities(
    width: float, blur: float, contrast: float
) -> None:
    u = places(width, blur)
    phases = np.linspace(-0.5, 0.5, 9)
    profiles = np.array([0.6 + contrast * bar(u, p, width, blur) + 0.001 * u for p in phases])
    fit = fitted(profiles, u, blur)
    assert fit.converged.all()
    np.testing.assert_allclose(fit.width, width, atol=0.01)
    np.testing.assert_allclose(fit.middle, phases, atol=0.005)
    np.testing.assert_allclose(fit.contrast, contrast, rtol=0.02)
    np.testing.assert_allclose(fit.level, 0.6, atol=0.01)
    np.testing.assert_allclose(fit.blur, blur, rtol=0.02)


@settings(max_examples=60, deadline=None)
@given(
    width=st.floats(2.0, 15.0),
    ratio=st.floats(2.0, 10.0),
    phase=st.floats(-1.0, 1.0),
    contrast=st.sampled_from([-0.7, -0.2, 0.2, 0.7]),
)
def test_width_anywhere(width: float, ratio: float, phase: float, contrast: float) -> None:
    blur = min(max(width / ratio, 0.6), 2.5, width / 2)
    u = places(width, blur)
    fit = fitted(0.5 + contrast * bar(u, phase, width, blur), u, blur)
    assert fit.converged[0]
    assert fit.width[0] == pytest.approx(width, abs=0.02)


@pytest.mark.parametrize("guess", [0.7, 1.4])
def test_a_blur_that_is_not_known_is_found(guess: float) -> None:
    u = places(6.0, 1.3)
    fit = fitted(0.3 + 0.5 * bar(u, 0.2, 6.0, 1.3), u, 1.3 * guess, blur_sd=1.0)
    assert fit.blur[0] == pytest.approx(1.3, rel=0.02)
    assert fit.width[0] == pytest.approx(6.0, abs=0.01)


def half_level_width(u: Floats, profile: Floats) -> float:
    """Distance between the crossings of half the true contrast (1)."""
    above = np.flatnonzero(profile > 0.5)
    first, last = above[0], above[-1]
    left = np.interp(0.5, profile[[first - 1, first]], u[[first - 1, first]])
    right = np.interp(-0.5, -profile[[last, last + 1]], u[[last, last + 1]])
    return float(right - left)


# Bias of the half-level width at the true contrast, in blurs: the root v of
# Phi((v + w/2)/s) - Phi((v - w/2)/s) = 1/2, worked out.
HALF_LEVEL_BIAS = [(1.5, -0.570), (2.0, -0.133), (2.5, -0.0326), (3.0, -0.0068), (4.0, -0.00016)]


@pytest.mark.parametrize(("ratio", "bias"), HALF_LEVEL_BIAS)
def test_fit_beats_the_half_level_width(ratio: float, bias: float) -> None:
    blur = 1.5
    fine = np.arange(-12, 12, 0.01)
    crossing = half_level_width(fine, bar(fine, 0.0, ratio * blur, blur))
    assert (crossing - ratio * blur) / blur == pytest.approx(bias, abs=0.0006)
    if ratio < 2.0:
        # Nearer than that, width and contrast all but trade places.
        return
    u = places(ratio * blur, blur)
    fit = fitted(bar(u, 0.0, ratio * blur, blur), u, blur)
    off = abs(fit.width[0] - ratio * blur) / blur
    assert off < max(0.1 * abs(bias), 0.001)


def simple_bound(width: float, blur: float) -> float:
    """Cramer-Rao bound of the width, all else known, samples one pixel apart.

    sigma_w = (sigma/A) sqrt(4 sqrt(pi) s / (1 + exp(-w^2 / (4 s^2)))), worked out; the problem is
    Gatherer's (The Cramer Rao bound for discrete-time edge position estimation, Stanford
    CSL-TR-93-560, 1993) for two edges.
    """
    inner = 4 * math.sqrt(math.pi) * blur / (1 + math.exp(-(width**2) / (4 * blur**2)))
    return NOISE / CONTRAST * math.sqrt(inner)


@pytest.mark.parametrize(
    ("width", "expected"), [(1.0, 0.0399), (2.0, 0.0455), (4.0, 0.0528), (8.0, 0.0533)]
)
def test_the_simple_bound_is_the_fisher_information(width: float, expected: float) -> None:
    # For noise / contrast of 0.02 and a blur of one pixel.
    assert simple_bound(width, 1.0) * 0.02 * CONTRAST / NOISE == pytest.approx(expected, abs=6e-5)
    u = np.arange(-20, 21) + 0.3
    by_width = (bar(u, 0, width + 1e-5, 1.0) - bar(u, 0, width - 1e-5, 1.0)) / 2e-5
    assert 0.02 / math.sqrt((by_width**2).sum()) == pytest.approx(expected, rel=0.01)


def own_bound(width: float, blur: float, u: Floats, phase: float) -> float:
    """Cramer-Rao bound with middle, level, slope and contrast unknown, the blur known."""

    def by(change: str) -> Floats:
        step = 1e-5
        m, w = (step, 0.0) if change == "middle" else (0.0, step)
        more, less = bar(u, phase + m, width + w, blur), bar(u, phase - m, width - w, blur)
        return CONTRAST * (more - less) / (2 * step)

    columns = [by("width"), by("middle"), np.ones_like(u), u, bar(u, phase, width, blur)]
    jacobian = np.stack(columns, axis=1)
    return NOISE * math.sqrt(np.linalg.inv(jacobian.T @ jacobian)[0, 0])


def scatter(width: float, blur: float, phase: float, count: int = 1500) -> tuple[BarFit, Floats]:
    u = places(width, blur, step=1.0)
    rng = np.random.default_rng([int(10 * width), int(10 * blur)])
    clean = 0.2 + CONTRAST * bar(u, phase, width, blur)
    return fitted(clean + rng.normal(0, NOISE, (count, len(u))), u, blur, blur_sd=1e-3), u


@pytest.mark.parametrize(
    ("width", "blur"), [(4.0, 1.0), (6.0, 1.0), (8.0, 2.0), (6.0, 1.5), (12.0, 1.0), (4.0, 0.7)]
)
def test_scatter_is_that_of_the_bound_with_the_levels_unknown(width: float, blur: float) -> None:
    fit, u = scatter(width, blur, 0.3)
    assert fit.converged.mean() > 0.999
    bound = own_bound(width, blur, u, 0.3)
    # 1500 draws tell a standard deviation to 1.8 %.
    assert 0.93 * bound < fit.width.std() < 1.3 * bound
    assert abs(fit.width.mean() - width) < 4 * bound / math.sqrt(1500) + 0.002


@pytest.mark.parametrize(("width", "blur"), [(8.0, 1.0), (12.0, 1.0), (15.0, 1.5), (7.0, 0.7)])
def test_wide_bars_come_near_the_bound_with_all_known(width: float, blur: float) -> None:
    # With four blurs of width the unknown levels alone cost more than 1.3 times this bound.
    fit, _ = scatter(width, blur, 0.3)
    assert fit.width.std() < 1.3 * simple_bound(width, blur)


@pytest.mark.parametrize("column", range(9))
def test_derivatives(column: int) -> None:
    u = np.linspace(-8, 8, 65)
    rng = np.random.default_rng(2)
    p = np.array([0.3, 5.0, 1.2, 0.2, 0.004, 0.6, 0.03, 0.08, -0.05]) * rng.uniform(
        0.8, 1.2, (4, 9)
    )
    _, analytic = _model(p, u, 0.8)
    step = np.zeros(9)
    step[column] = 1e-6
    numeric = (_model(p + step, u, 0.8)[0] - _model(p - step, u, 0.8)[0]) / 2e-6
    # The formula for the normal distribution is right to 7.5e-8, its slope to 1e-6.
    np.testing.assert_allclose(analytic[column], numeric, atol=3e-6)


def test_the_model_is_the_formula() -> None:
    u = np.linspace(-6, 6, 25)
    middle, width, blur, level, slope, contrast, tilt, left, right = (
        0.4, 4.0, 1.1, 0.3, 0.01, 0.5, 0.02, 0.1, -0.06,
    )  # fmt: skip
    rim = 0.7
    begin, end = middle - width / 2, middle + width / 2
    expected = (
        level
        + slope * u
        + contrast * (1 + tilt * (u - middle)) * bar(u, middle, width, blur)
        + left * bar(u, begin, 2 * rim, blur)
        + right * bar(u, end, 2 * rim, blur)
    )
    p = np.array([[middle, width, blur, level, slope, contrast, tilt, left, right]])
    # Two values of the normal distribution, each right to 7.5e-8, times a contrast of 0.5.
    np.testing.assert_allclose(_model(p, u, rim)[0][0], expected, rtol=0, atol=1e-7)


def test_a_speck_on_the_plate_does_not_move_the_width() -> None:
    u = places(8.0, 1.2)
    clean = 0.2 + 0.6 * bar(u, 0.0, 8.0, 1.2)
    noisy = clean + np.random.default_rng(3).normal(0, 0.005, u.shape)
    specked = noisy.copy()
    specked[np.abs(u - 8.0) < 0.6] += 0.25
    plain, robust = fitted(noisy, u, 1.2), fitted(specked, u, 1.2)
    assert robust.width[0] == pytest.approx(plain.width[0], abs=0.06)


def test_rims_are_let_in_where_they_are_there() -> None:
    """A contact shadow on one side moves a plain bar's edge; one with rims follows it better."""
    u = places(9.0, 1.0)
    profile = 0.2 + 0.6 * bar(u, 0.0, 9.0, 1.0) + 0.2 * bar(u, 4.5, 1.6, 1.0)
    with_rims = fit_bars(
        profile[None], u, blur=np.ones(1), blur_sd=0.05, rim=0.8, rim_sd=0.8, tilt_sd=1e-3
    )
    plain = fitted(profile, u, 1.0)
    assert abs(with_rims.width[0] - 9.0) < 0.3 * abs(plain.width[0] - 9.0)
    assert with_rims.rms[0] < plain.rms[0]


def test_the_residual_is_that_of_the_bar_given_wherever_the_fit_ended() -> None:
    u = np.arange(-12.0, 12.5, 0.5)
    profiles = np.stack([bar(u, 0.3, 6.0, 1.2), bar(u, -1.0, 4.0, 1.2)])
    profiles += np.random.default_rng(8).normal(0, 0.01, profiles.shape)
    for steps in (1, 25):
        found = fit_bars(profiles, u, blur=np.full(2, 1.8), blur_sd=0.5, rim=0.6, most_steps=steps)
        value = _model(found.parameters, u, 0.6)[0]
        np.testing.assert_allclose(
            found.rms, np.sqrt(((profiles - value) ** 2).mean(axis=1)), rtol=1e-3
        )
    assert found.rms.max() < 0.015


@pytest.mark.parametrize("level", [0.0, 0.5, 1.0])
def test_a_flat_profile_has_no_bar(level: float) -> None:
    u = places(8.0, 1.2)
    fit = fitted(np.full((3, len(u)), level), u, 1.2)
    for values in (fit.middle, fit.width, fit.blur, fit.level, fit.contrast, fit.rms):
        assert np.isfinite(values).all()
    assert (~fit.converged | (np.abs(fit.contrast) < 1e-3)).all()


def test_noise_has_no_bar_of_contrast() -> None:
    u = places(8.0, 1.2)
    noise = np.random.default_rng(4).normal(0.5, NOISE, (300, len(u)))
    fit = fitted(noise, u, 1.2)
    for values in (fit.middle, fit.width, fit.blur, fit.level, fit.contrast, fit.rms):
        assert np.isfinite(values).all()
    # What is taken for a bar is as faint as the noise itself, but for narrow spikes.
    believed = fit.converged & (fit.width > 3.0)
    assert np.abs(fit.contrast[believed]).max() < 5 * NOISE


@pytest.mark.parametrize("junk", ["step", "spike", "ramp", "huge"])
def test_odd_profiles_give_finite_answers(junk: str) -> None:
    u = places(8.0, 1.2)
    profile = {
        "step": np.where(u > 0, 1.0, 0.0),
        "spike": np.where(u == 0, 1.0, 0.0),
        "ramp": 0.05 * u,
        "huge": 1e6 * np.sin(u),
    }[junk]
    fit = fitted(profile, u, 1.2)
    for values in (fit.middle, fit.width, fit.blur, fit.level, fit.contrast, fit.rms):
        assert np.isfinite(values).all()


def test_profiles_do_not_disturb_each_other() -> None:
    """A fit among others is the fit alone: only the stopping is common."""
    u = places(7.0, 1.2)
    rng = np.random.default_rng(5)
    profiles = np.array([0.3 + 0.5 * bar(u, p, 7.0, 1.2) for p in (-0.3, 0.0, 0.4)])
    profiles += rng.normal(0, NOISE, profiles.shape)
    before = profiles.copy()
    together = fitted(np.vstack([profiles, rng.normal(0.5, 0.01, (3, len(u)))]), u, 1.2)
    alone = [fitted(p, u, 1.2).width[0] for p in profiles]
    np.testing.assert_allclose(together.width[:3], alone, atol=2e-3)
    np.testing.assert_array_equal(profiles, before)
