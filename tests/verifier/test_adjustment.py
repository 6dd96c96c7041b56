"""The adjustment of camera, pavement and bars on simulated photos whose truth is known."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import stats

from models.bar import LONG_BAR, SHORT_BAR, BarCalibration, BarKind, nominal_calibration
from models.measurement import Problem
from tests.verifier.simulated_bars import (
    FACTS,
    LONE,
    NEAR,
    NEAR_LONG,
    SIZE,
    WIDE,
    Place,
    Seat,
    Simulated,
    View,
    drawn,
    flat,
    parameter_error,
    project,
    slow_patterns,
    space_points,
    with_seats,
    zoomed,
)
from verifier.adjustment import (
    FULL_FRAME_DIAGONAL_MM,
    SLOW_ERROR_EXCESS,
    Adjustment,
    CameraPrior,
    _Model,
    adjust,
    camera_prior,
)
from verifier.photo import CaptureFacts
from verifier.plane import N_PARAMETERS, GroundPlane

Array = NDArray[np.float64]
VIEWS = {"wide, two long bars": WIDE, "near, two short bars": NEAR, "near, two long bars": NEAR_LONG,
         "one long bar": LONE}  # fmt: skip
every_view = pytest.mark.parametrize("view", VIEWS.values(), ids=VIEWS.keys())


def adjusted(photo: Simulated, facts: CaptureFacts = FACTS, **given: object) -> Adjustment:
    outcome = adjust(photo.sightings, facts, SIZE, **given)  # type: ignore[arg-type]
    assert isinstance(outcome, Adjustment), outcome
    return outcome


def refused(photo: Simulated, facts: CaptureFacts = FACTS) -> Problem:
    outcome = adjust(photo.sightings, facts, SIZE)
    assert isinstance(outcome, Problem), f"adjusted with sigma {outcome.corner_sigma_px:.3f} px"
    return outcome


def model_of(photo: Simulated) -> _Model:
    calibrations = [nominal_calibration(b.design.kind, b.number) for b in photo.sightings]
    return _Model(photo.sightings, calibrations, camera_prior(FACTS, SIZE))


# --- at the truth


@every_view
def test_at_the_truth_the_residual_is_zero(view: View) -> None:
    """The model's own geometry is that of the simulation, which projects with OpenCV."""
    seats = tuple(Seat(2e-4 * (i + 1), 3.1 + i, 4e-4, -8e-4, 0.3) for i in range(len(view.places)))
    photo = with_seats(replace(view, noise_px=0.0), seats)
    residual = model_of(photo).pixels - model_of(photo).predict(photo.parameters)
    np.testing.assert_allclose(residual, 0.0, atol=1e-8)


@every_view
def test_without_noise_the_truth_is_found(view: View) -> None:
    photo = flat(view)
    result = adjusted(photo)
    for pixels in (np.array([[1500.0, 1200.0], [2016.0, 1512.0], [2700.0, 1900.0]]),):
        np.testing.assert_allclose(result.plane.to_plane(pixels), photo.truth.to_plane(pixels), atol=2e-3)
    assert max(np.abs(b.residuals_px).max() for b in result.bars) < 1e-3
    assert abs(result.plane.focal_px / photo.truth.focal_px - 1) < 1e-5


@every_view
def test_jacobian_is_the_central_difference(view: View) -> None:
    photo = drawn(view, 5)
    model = model_of(photo)
    jacobian = model.jacobian(photo.parameters)
    for j in np.flatnonzero(model.free):
        step = np.zeros(model.size)
        step[j] = 1e-5 if abs(photo.parameters[j]) < 10 else 1e-3
        slope = (model.predict(photo.parameters + step) - model.predict(photo.parameters - step)) / (2 * step[j])
        scale = np.max(np.abs(slope))
        np.testing.assert_allclose(jacobian[:, j], slope.ravel(), atol=1e-5 * scale + 1e-7)


@every_view
def test_outlines_are_where_the_plates_appear_on_the_road(view: View) -> None:
    """Corners of the plate, projected by OpenCV and brought down to the pavement through the true camera."""
    photo = flat(view)
    result = adjusted(photo)
    for place, seat, placed in zip(view.places, photo.seats, result.bars, strict=True):
        length, height = place.design.length_mm, place.design.height_mm
        plate = np.array([[0, 0], [length, 0], [length, height], [0, height]], float)
        seen = photo.truth.to_plane(photo.truth.to_pixels(space_points(place, seat, plate)))
        np.testing.assert_allclose(placed.outline_mm, seen, atol=5e-3)


# --- does the covariance hold?

PHOTOS_A_VIEW = 300
"""A share of 95 % of 300 has a standard deviation of 1.26 %: four are allowed: many shares are looked at."""


@dataclass(frozen=True)
class Trial:
    """One simulated photo, adjusted: error and stated standard uncertainty of each quantity, and two joint tests."""

    error: Array
    uncertainty: Array
    cost_at_truth: float
    shares_off: float


QUANTITIES = ("x and y of five points", "width of 76 mm", "angle of two lines")


def targets(view: View) -> Array:
    """Five points of the road about the middle of the view and the two sides of a slot, (7, 2)."""
    reach = 0.24 * view.distance_mm
    offsets = np.array([[0, 0], [reach, 0], [0, reach], [-reach, 0], [0, -reach], [0, 38], [0, -38]])
    return np.asarray(np.array(view.target_mm) + offsets)


def quantities(pixels: Array) -> Callable[[GroundPlane], Array]:
    def measure(plane: GroundPlane) -> Array:
        p = plane.to_plane(pixels)
        along, across = p[1] - p[3], p[2] - p[4]
        angle = math.degrees(math.atan2(along[0] * across[1] - along[1] * across[0], along @ across))
        return np.r_[p[:5].ravel(), np.linalg.norm(p[5] - p[6]), angle]

    return measure


def trial(view: View, seed: int) -> Trial | Problem:
    photo = drawn(view, seed)
    outcome = adjust(photo.sightings, FACTS, SIZE)
    if isinstance(outcome, Problem):
        return outcome
    measure = quantities(photo.truth.to_pixels(targets(view)))
    plane = outcome.plane
    jacobian = plane.sensitivity(measure)
    u = np.sqrt(np.einsum("ij,jk,ik->i", jacobian, plane.covariance, jacobian))
    lines = [sum(line.standard_uncertainty**2 for line in plane.budget(row)) for row in jacobian]
    shares_off = float(np.max(np.abs(np.sqrt(lines) / u - 1)))
    return Trial(measure(plane) - measure(photo.truth), u, _cost(photo, view), shares_off)


def _cost(photo: Simulated, view: View) -> float:
    """Squares of the whitened residuals and of the priors' deviations at the truth."""
    model = model_of(photo)
    residual = (model.pixels - model.predict(photo.parameters)) / view.noise_px
    slow = [slow_patterns(bar.design).T @ residual[model.owner == i] for i, bar in enumerate(photo.sightings)]
    excess = (1 - 1 / SLOW_ERROR_EXCESS) * sum(float(np.sum(s**2)) for s in slow)
    deviation = model.prior_mean - photo.parameters
    deviation[N_PARAMETERS : N_PARAMETERS + 3] = 0.0
    return float(np.sum(residual**2) - excess + deviation @ model.prior_precision @ deviation)


@cache
def trials(view: View) -> tuple[Trial, ...]:
    outcomes = [trial(view, seed) for seed in range(PHOTOS_A_VIEW)]
    kept = [o for o in outcomes if isinstance(o, Trial)]
    needless = [o for o in outcomes if isinstance(o, Problem)]
    assert len(needless) <= 0.02 * PHOTOS_A_VIEW, {p.code for p in needless}
    return tuple(kept)


def coverage(ratios: Array) -> float:
    return float(np.mean(np.abs(ratios) <= 2.0))


@pytest.mark.slow
@every_view
def test_value_plus_minus_two_u_holds_the_truth_in_95_percent(view: View) -> None:
    """Normal law, k = 2: 95.45 % (JCGM 100, table G.1); limits: four binomial standard deviations."""
    ratios = np.array([t.error / t.uncertainty for t in trials(view)])
    allowed = 4 * math.sqrt(0.9545 * 0.0455 / len(ratios))
    held = {f"quantity {i}": coverage(column) for i, column in enumerate(ratios.T)}
    assert all(abs(share - 0.9545) <= allowed for share in held.values()), held


@pytest.mark.slow
@every_view
def test_stated_uncertainty_is_the_spread_and_there_is_no_bias(view: View) -> None:
    """Errors over stated u have mean 0 and standard deviation 1; a share of both is known to 1/sqrt(n), 1/sqrt(2n)."""
    ratios = np.array([t.error / t.uncertainty for t in trials(view)])
    n = len(ratios)
    assert np.max(np.abs(ratios.mean(axis=0))) < 4 / math.sqrt(n)
    assert np.max(np.abs(np.sqrt(np.mean(ratios**2, axis=0)) - 1)) < 4 / math.sqrt(2 * n)


@pytest.mark.slow
@every_view
def test_priors_and_corner_noise_of_the_simulation_are_the_models(view: View) -> None:
    """The cost at the truth is chi-square by construction: a check that the coverage above means something."""
    costs = np.array([t.cost_at_truth for t in trials(view)])
    photo = flat(view)
    model = model_of(photo)
    observed = 2 * len(model.pixels) + int(np.sum(np.diag(model.prior_precision) > 0))
    assert stats.kstest(costs, stats.chi2(observed).cdf).pvalue > 1e-3


@pytest.mark.slow
@every_view
def test_budget_lines_add_up_to_the_combined_uncertainty(view: View) -> None:
    assert max(t.shares_off for t in trials(view)) < 1e-6


@every_view
def test_shares_of_the_covariance_sum_to_it(view: View) -> None:
    """Slow reference: the inverse of the whole normal matrix, with the nuisance parameters of the bars in it."""
    photo = drawn(view, 11)
    result = adjusted(photo)
    assert result.plane.sources[0].source.startswith("corner")
    model, free = model_of(photo), model_of(photo).free
    jacobian = model.jacobian(photo.parameters)
    normal = jacobian.T @ jacobian / result.corner_sigma_px**2 + model.prior_precision
    whole = np.linalg.inv(normal[np.ix_(free, free)])
    measure = quantities(photo.truth.to_pixels(targets(view)))
    stated = result.plane.sensitivity(measure)
    slow = photo.truth.with_parameters(photo.truth.parameters)
    slow = replace(slow, sources=result.plane.sources)
    at_truth = slow.sensitivity(measure)
    u_stated = np.sqrt(np.einsum("ij,jk,ik->i", stated, result.plane.covariance, stated))
    u_slow = np.sqrt(np.einsum("ij,jk,ik->i", at_truth, whole[:N_PARAMETERS, :N_PARAMETERS], at_truth))
    # Noise is estimated from each photo's few dozen corners, bar by bar.
    np.testing.assert_allclose(u_stated, u_slow, rtol=0.25)


def test_corner_noise_is_estimated_without_bias() -> None:
    sigmas = [adjusted(drawn(WIDE, seed)).corner_sigma_px for seed in range(40)]
    assert np.mean(sigmas) == pytest.approx(WIDE.noise_px, rel=0.05)


def test_more_noise_more_uncertainty() -> None:
    def u(noise: float) -> float:
        photo = drawn(replace(WIDE, noise_px=noise), 3)
        measure = quantities(photo.truth.to_pixels(targets(WIDE)))
        plane = adjusted(photo).plane
        row = plane.sensitivity(measure)[-1]
        return float(np.sqrt(row @ plane.covariance @ row))

    assert u(0.05) < u(0.1) < u(0.2) < 5 * u(0.05)


# --- robustness


def displaced(photo: Simulated, shares: float, size_px: float, seed: int = 0) -> Simulated:
    """Some corners thrown off by ``size_px`` in random directions."""
    rng = np.random.default_rng(seed)
    bars = []
    for bar in photo.sightings:
        thrown = rng.random(len(bar.corners_px)) < shares
        angle = rng.uniform(0, 2 * np.pi, len(bar.corners_px))
        shift = size_px * np.column_stack([np.cos(angle), np.sin(angle)]) * thrown[:, None]
        bars.append(replace(bar, corners_px=bar.corners_px + shift))
    return replace(photo, sightings=tuple(bars))


@pytest.mark.parametrize("size_px", [0.6, 3.0, 12.0])
@every_view
def test_a_tenth_of_the_corners_displaced_hardly_moves_the_plane(view: View, size_px: float) -> None:
    photo = drawn(view, 21)
    spoilt = displaced(photo, 0.1, size_px)
    result = adjusted(spoilt)
    measure = quantities(photo.truth.to_pixels(targets(view)))
    jacobian = result.plane.sensitivity(measure)
    u = np.sqrt(np.einsum("ij,jk,ik->i", jacobian, result.plane.covariance, jacobian))
    assert np.max(np.abs(measure(result.plane) - measure(photo.truth)) / u) < 4.0
    thrown = [np.linalg.norm(s.corners_px - o.corners_px, axis=1) > 0
              for s, o in zip(spoilt.sightings, photo.sightings, strict=True)]  # fmt: skip
    if size_px >= 3.0:
        assert not any((bar.kept & t).any() for bar, t in zip(result.bars, thrown, strict=True))


@every_view
def test_half_of_the_corners_displaced_is_refused(view: View) -> None:
    refused(displaced(drawn(view, 2), 0.5, 4.0))


# --- mishaps it must notice


@pytest.mark.parametrize("lift_mm", [8.0, 15.0, 25.0, 40.0, 60.0, 100.0])
@pytest.mark.parametrize("view", [WIDE, NEAR, NEAR_LONG], ids=["wide", "near short", "near long"])
def test_one_of_two_bars_with_a_stone_under_its_end_is_refused(view: View, lift_mm: float) -> None:
    tilted = Seat(face_mm=3.6 + lift_mm / 2, tilt_along=lift_mm / view.places[1].design.length_mm)
    problem = refused(with_seats(view, (Seat(), tilted)))
    assert problem.code == "bar-not-flat" or lift_mm < 10.0  # little lifted, it may as well be a larger bar
    assert "flat on the pavement" in problem.message


@pytest.mark.parametrize("view", [WIDE, NEAR, NEAR_LONG], ids=["wide", "near short", "near long"])
def test_one_of_two_bars_lying_on_a_kerb_is_refused(view: View) -> None:
    """Parallel to the pavement it looks like a larger bar: the message must name both."""
    problem = refused(with_seats(view, (Seat(), Seat(face_mm=3.6 + 25.0))))
    assert problem.code in {"bar-wrong-size", "bar-not-flat"}
    assert "flat on the pavement" in problem.message


@pytest.mark.parametrize("bow_mm", [4.0, 8.0, 20.0])
@pytest.mark.parametrize("view", [WIDE, NEAR, NEAR_LONG], ids=["wide", "near short", "near long"])
def test_a_bent_bar_is_refused(view: View, bow_mm: float) -> None:
    assert refused(with_seats(view, (Seat(), Seat(bow_mm=bow_mm)))).code == "bar-not-flat"


@pytest.mark.parametrize("scale", [0.94, 0.97, 0.98, 1.02, 1.05])
@pytest.mark.parametrize("view", [WIDE, NEAR, NEAR_LONG], ids=["wide", "near short", "near long"])
def test_one_of_two_bars_printed_at_the_wrong_size_is_refused(view: View, scale: float) -> None:
    """A print 'fitted to the page' is typically 94 to 98 % of its size (common practice)."""
    problem = refused(with_seats(view, (Seat(), Seat(log_scale=math.log(scale)))))
    assert problem.code == "bar-wrong-size"
    assert "control length" in problem.message


def stretched(view: View, stretch: float, which: Sequence[int]) -> Problem:
    """What is said of bars whose print is ``stretch`` times as high as it should be for its length."""
    photo = drawn(view, 3)
    bars = []
    for i, (place, bar) in enumerate(zip(view.places, photo.sightings, strict=True)):
        true = bar.corners_plate_mm * (1.0, stretch if i in which else 1.0)
        moved = project(photo.truth, space_points(place, photo.seats[i], true))
        still = project(photo.truth, space_points(place, photo.seats[i], bar.corners_plate_mm))
        bars.append(replace(bar, corners_px=bar.corners_px + moved - still))
    outcome = adjust(bars, FACTS, SIZE)
    assert isinstance(outcome, Problem)
    return outcome


@pytest.mark.parametrize("stretch", [0.95, 1.04])
@pytest.mark.parametrize("view", [WIDE, NEAR, NEAR_LONG], ids=["wide", "near short", "near long"])
def test_a_print_that_is_stretched_is_named_as_such(view: View, stretch: float) -> None:
    """A printer that feeds paper too fast, or pieces joined with a gap, change the length alone."""
    problem = stretched(view, stretch, [1])
    assert problem.code == "bar-wrong-size"
    assert "stretched" in problem.message


def test_a_lone_stretched_bar_may_be_another_camera() -> None:
    """One bar seen at an angle: its stretch and another focal length cannot be told apart, so both are named."""
    problem = stretched(LONE, 0.95, [0])
    assert problem.code == "camera-disagrees"
    assert "stretched" in problem.message


@pytest.mark.parametrize("factor", [0.75, 1.35, 1.6])
@every_view
def test_a_focal_length_that_is_not_the_files_is_refused(view: View, factor: float) -> None:
    """A crop, a screenshot or a photo of a photo keeps or loses the EXIF focal length of another picture."""
    assert refused(zoomed(view, factor)).code == "camera-disagrees"


@pytest.mark.parametrize("cut_px", [400.0, 900.0])
@every_view
def test_a_crop_from_one_side_is_refused(view: View, cut_px: float) -> None:
    """The picture's middle is not where the lens looks: a part is cut off on the left, sides still 4 to 3."""
    photo = drawn(view, 4)
    cut = tuple(replace(b, corners_px=b.corners_px - (cut_px, 0.0)) for b in photo.sightings)
    outcome = adjust(cut, FACTS, SIZE)
    assert isinstance(outcome, Problem)
    assert outcome.code == "camera-disagrees"


def far_and_frontal(distance_mm: float) -> View:
    """A short bar a long way below: its two poses, leaning towards and away, look alike."""
    return View((Place(SHORT_BAR, 1),), (150.0, 25.0), distance_mm, 22.0, 90.0, 0.15)


def test_a_small_bar_that_fits_two_planes_is_refused() -> None:
    outcomes = [adjust(drawn(far_and_frontal(6000.0), s).sightings, FACTS, SIZE) for s in range(20)]
    codes = [o.code for o in outcomes if isinstance(o, Problem)]
    assert codes.count("plane-ambiguous") >= 18, codes


def test_what_is_not_refused_for_two_planes_has_the_right_one() -> None:
    """From near to far: never another plane than the true one without saying so (refusals are allowed)."""
    wrong = []
    for distance in (800.0, 1500.0, 2500.0, 4000.0):
        for seed in range(15):
            photo = drawn(far_and_frontal(distance), seed)
            outcome = adjust(photo.sightings, FACTS, SIZE)
            if isinstance(outcome, Adjustment):
                error = parameter_error(outcome.plane, photo.truth)
                u = np.sqrt(np.diag(outcome.plane.covariance))
                if np.max(np.abs(error[5:8]) / u[5:8]) > 5:
                    wrong.append((distance, seed))
    assert wrong == []


# --- what must not matter


def test_the_order_of_the_corners_does_not_matter() -> None:
    photo = drawn(WIDE, 6)
    shuffled = []
    for bar in photo.sightings:
        order = np.random.default_rng(0).permutation(len(bar.corners_px))
        shuffled.append(replace(bar, corners_px=bar.corners_px[order], corners_plate_mm=bar.corners_plate_mm[order]))
    a, b = adjusted(photo), adjusted(replace(photo, sightings=tuple(shuffled)))
    np.testing.assert_allclose(a.plane.parameters, b.plane.parameters, rtol=1e-6, atol=1e-6)


def test_a_picture_of_half_the_size_gives_the_same_road() -> None:
    photo = drawn(replace(WIDE, noise_px=0.2), 7)  # well above the least noise that is believed, at both sizes
    half = tuple(replace(b, corners_px=(b.corners_px + 0.5) / 2 - 0.5) for b in photo.sightings)
    small = adjust(half, FACTS, (SIZE[0] // 2, SIZE[1] // 2))
    assert isinstance(small, Adjustment)
    pixels = photo.truth.to_pixels(targets(WIDE))
    np.testing.assert_allclose(
        small.plane.to_plane((pixels + 0.5) / 2 - 0.5), adjusted(photo).plane.to_plane(pixels), atol=0.02
    )


@pytest.mark.parametrize("quarter_turns", [1, 2, 3])
def test_turning_the_photo_gives_the_same_road(quarter_turns: int) -> None:
    photo = drawn(WIDE, 8)
    pixels = photo.truth.to_pixels(targets(WIDE))
    size, bars, turned = SIZE, photo.sightings, pixels
    for _ in range(quarter_turns):
        bars = tuple(replace(b, corners_px=_clockwise(b.corners_px, size)) for b in bars)
        turned, size = _clockwise(turned, size), (size[1], size[0])
    outcome = adjust(bars, FACTS, size)
    assert isinstance(outcome, Adjustment)
    np.testing.assert_allclose(outcome.plane.to_plane(turned), adjusted(photo).plane.to_plane(pixels), atol=2e-3)
    assert outcome.plane.focal_px == pytest.approx(adjusted(photo).plane.focal_px, rel=1e-5)


def _clockwise(pixels: Array, size: tuple[int, int]) -> Array:
    return np.column_stack([size[1] - 1 - pixels[:, 1], pixels[:, 0]])


@settings(max_examples=12, deadline=None, derandomize=True)
@given(x=st.floats(-500, 700), y=st.floats(150, 800), direction=st.floats(0, 360), tilt=st.floats(25, 60))
def test_moving_the_second_bar_does_not_move_the_road(x: float, y: float, direction: float, tilt: float) -> None:
    """Wherever the other bar lies, what is measured stays within its own stated uncertainty."""
    view = replace(WIDE, places=(WIDE.places[0], Place(LONG_BAR, 8, x, y, direction)), tilt_deg=tilt)
    photo = drawn(view, 9)
    plane = adjusted(photo).plane
    measure = quantities(photo.truth.to_pixels(targets(view)))
    jacobian = plane.sensitivity(measure)
    u = np.sqrt(np.einsum("ij,jk,ik->i", jacobian, plane.covariance, jacobian))
    assert np.max(np.abs(measure(plane) - measure(photo.truth)) / u) < 4.5


# --- priors


def test_a_calibrated_bar_sets_the_scale() -> None:
    """A bar that is 0.5 mm too long, and says so, gives true lengths; unsaid, they come out too short."""
    scale = 900.5 / 900.0
    photo = with_seats(LONE, (Seat(log_scale=math.log(scale)),))
    said = BarCalibration(BarKind.LONG, 5, 900.5, 0.02, 3.0, 0.05)
    pixels = photo.truth.to_pixels(np.array([[100.0, -60], [900.0, -60]]))

    def length(result: Adjustment) -> float:
        a, b = result.plane.to_plane(pixels)
        return float(np.linalg.norm(b - a))

    known, unknown = length(adjusted(photo, calibrations=[said])), length(adjusted(photo))
    assert known / unknown == pytest.approx(scale, rel=2e-5)


def test_another_bars_calibration_is_not_used() -> None:
    photo = drawn(LONE, 3)
    other = BarCalibration(BarKind.LONG, 6, 905.0, 0.02, 3.0, 0.05)
    np.testing.assert_allclose(
        adjusted(photo, calibrations=[other]).plane.parameters, adjusted(photo).plane.parameters, rtol=1e-9
    )


def test_a_calibrated_camera_makes_the_road_more_certain() -> None:
    photo = drawn(NEAR, 12)
    mean = photo.truth.parameters[:5]
    tight = CameraPrior(mean, np.diag(np.array([1e-3, 2.0, 2.0, 1e-3, 1e-3]) ** 2), "calibrated")
    measure = quantities(photo.truth.to_pixels(targets(NEAR)))

    def u(result: Adjustment) -> Array:
        jacobian = result.plane.sensitivity(measure)
        return np.sqrt(np.einsum("ij,jk,ik->i", jacobian, result.plane.covariance, jacobian))

    assert np.all(u(adjusted(photo, prior=tight)) < u(adjusted(photo)) + 1e-9)


@pytest.mark.parametrize(("by_diagonal", "size"), [(3028.66, (4032, 3024)), (2757.88, (4000, 2250))])
def test_the_focal_prior_goes_by_the_diagonal(by_diagonal: float, size: tuple[int, int]) -> None:
    """CIPA DC-008: equal diagonal angle of view; 26 mm against 43.2666 mm, worked out to 0.01 px."""
    prior = camera_prior(FACTS, size)
    assert math.exp(prior.mean[0]) == pytest.approx(by_diagonal, abs=0.01)
    assert math.hypot(36, 24) == pytest.approx(FULL_FRAME_DIAGONAL_MM, abs=1e-4)


@pytest.mark.parametrize(("size", "by_width"), [((4032, 3024), 2912.00), ((4000, 2250), 2888.89)])
def test_makers_who_go_by_width_are_within_two_standard_uncertainties(size: tuple[int, int], by_width: float) -> None:
    """26 mm by width is 4.0 % less at 4:3 and 4.5 % more at 16:9 than by the diagonal."""
    prior = camera_prior(FACTS, size)
    assert abs(math.log(by_width) - prior.mean[0]) < 2 * math.sqrt(prior.covariance[0, 0])


def test_without_exif_the_focal_length_comes_from_the_bars() -> None:
    photo = drawn(WIDE, 13)
    result = adjusted(photo, CaptureFacts())
    assert abs(result.plane.focal_px / photo.truth.focal_px - 1) < 0.06
    u = math.sqrt(result.plane.covariance[0, 0])
    assert abs(math.log(result.plane.focal_px / photo.truth.focal_px)) < 4 * u


# --- misuse


def _views() -> Iterator[View]:
    yield from VIEWS.values()


def test_every_view_of_these_tests_shows_its_bars_whole() -> None:
    """The views stand for photos: every corner lies inside the picture, in front of the camera."""
    for view in _views():
        for bar in flat(view).sightings:
            assert ((bar.corners_px > 0) & (bar.corners_px < np.array(SIZE) - 1)).all()
            assert len(bar.corners_px) in {48, 30}
    assert cv2.__version__.startswith("5.")
