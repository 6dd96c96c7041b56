"""The bound is what a perfect fit reaches, and the report counts every photo."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.special import erf

from tests.benchmarks.baselines import angle_error, turn_deg
from tests.benchmarks.bound import row_variance
from tests.benchmarks.report import PhotoReport, Value, everything, refusal_table, right_reason


def step(x: np.ndarray, place: float, contrast: float, blur: float) -> np.ndarray:
    return np.asarray(contrast * 0.5 * (1 + erf((x - place) / (blur * math.sqrt(2)))))


@pytest.mark.parametrize(("noise", "contrast", "blur"), [(2.0, 150.0, 0.9), (6.0, 60.0, 1.5), (3.0, 30.0, 2.5)])
def test_a_least_squares_fit_of_an_edge_reaches_the_bound_of_a_row(noise: float, contrast: float, blur: float) -> None:
    """Place by one Gauss-Newton step from the truth, which is the maximum of likelihood for small noise."""
    rng = np.random.default_rng(1)
    x = np.arange(-12, 13) + rng.uniform(-0.5, 0.5, (4000, 1))
    slope = -contrast * np.exp(-(x**2) / (2 * blur**2)) / (blur * math.sqrt(2 * math.pi))
    seen = step(x, 0.0, contrast, blur) + rng.normal(0, noise, x.shape)
    place = np.sum(slope * (seen - step(x, 0.0, contrast, blur)), axis=1) / np.sum(slope**2, axis=1)
    # The variance of 4000 draws is known to 2.2 %; pixels of unit width at blur 0.9 add a few per cent.
    assert np.var(place) == pytest.approx(row_variance(noise, contrast, blur), rel=0.1)


def test_a_corner_gets_one_square_of_edge_in_each_direction() -> None:
    """Fisher information of a drawn saddle, summed over half a square on every side of it."""
    noise, contrast, blur, square = 2.0, 150.0, 1.0, 40
    v, u = np.mgrid[-square // 2 : square // 2 + 1, -square // 2 : square // 2 + 1].astype(float)
    slope_x = 0.5 * contrast * (2 / math.sqrt(math.pi)) * np.exp(-(u**2) / (2 * blur**2)) / (blur * math.sqrt(2))
    information = np.sum((slope_x * erf(v / (blur * math.sqrt(2)))) ** 2) / noise**2
    assert 1 / information == pytest.approx(row_variance(noise, contrast, blur) / square, rel=0.06)


def test_angles_of_lines() -> None:
    assert turn_deg(np.array([1.0, 0.0]), np.array([0.0, 1.0])) == pytest.approx(90.0)
    assert turn_deg(np.array([-1.0, 0.0]), np.array([0.0, 1.0])) == pytest.approx(90.0)
    assert turn_deg(np.array([0.0, 1.0]), np.array([1.0, 0.01])) == pytest.approx(90.573, abs=1e-3)
    assert angle_error(0.2, 179.9) == pytest.approx(0.3)


def report(photo: str, **more: object) -> PhotoReport:
    known = {"kind": "slot", "difficulty": "easy", "care": "ordinary care", "why": "", "case": "", "usable": True,
             "problems": (), "seconds": 1.0}  # fmt: skip
    return PhotoReport(photo, **{**known, **more})  # type: ignore[arg-type]


def test_every_photo_is_counted() -> None:
    """Three photos: one right, one 3 U off, one refused; one to refuse that was not."""
    truth = {"slot_width": 76.0}
    photos = [
        report("a", truths=truth, ours={"slot_width": Value(76.1, 0.2)}),
        report("b", truths=truth, ours={"slot_width": Value(75.4, 0.2)}),
        report("c", truths=truth, usable=False, problems=("slot-not-found",)),
        report("d", kind="refuse", care="refuse", why="no slot", case="no_slot", ours={"slot_width": Value(50.0, 0.3)}),
    ]
    text = everything(photos)
    row = next(line for line in text.splitlines() if line.startswith("slot_width")).split()
    # care takes two words: photos, none, bias, RMS, largest, median U, within, worst, beyond 2 U, which
    assert row[3:] == ["3", "1", "-0.250", "0.430", "0.600", "0.200", "50%", "3.00", "1", "b"]
    assert "measured 2 of 3" in text
    assert "refused c (easy): slot-not-found" in text
    assert "refused 0 of 1" in text
    assert "NOT REFUSED: slot_width 50.00 ± 0.30" in text
    assert "3.00 U  b" in text


def test_a_right_reason_is_one_that_helps() -> None:
    blurred = report("a", kind="refuse", case="blurred", usable=False, problems=("photo-blurred",))
    other = report("b", kind="refuse", case="blurred", usable=False, problems=("slot-not-found",))
    assert right_reason(blurred)
    assert not right_reason(other)
    assert "refused 2 of 2; with a right reason 1 of the 2" in refusal_table([blurred, other])
