"""Saddle points of a checker: least-squares fit of a blurred corner to the squares around each.

In the frame of its own squares a checker corner looks like I(u, v) = a + c_u u + c_v v + b S(u - u0) S(v - v0), where
S is the blurred step erf(x / (sqrt(2) sigma)), sigma apart for the two directions. Tone curve and sharpening change S
symmetrically about the saddle point, since dark and bright change places across it: they do not move (u0, v0).
All edge pixels of four squares take part, which is what the photo knows of the corner's place.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import erf

Array = NDArray[np.float64]

HALF_WIDTH = 0.78
"""Squares on each side that take part; the neighbours' edges begin to show at 1 less their blur."""
SAMPLES = 29
SIGMA_FLOOR_PX = 0.9
"""What looks sharper is sharpening or aliasing, and a fit that follows it rests on a few samples at the edge."""
ITERATIONS = 6
N_PARAMETERS = 8
"""u0, v0, level, gradient along u and v, step, log sigma along u and v."""


@dataclass(frozen=True, eq=False)
class SaddleFit:
    """Fits of N corners."""

    corners_px: Array
    """Shape (N, 2)."""
    step: Array
    """Half the difference between white and black [grey levels], (N,); its sign tells which squares are black."""
    sigma_px: Array
    """Edge spread along u and along v [px], (N, 2)."""
    misfit: Array
    """RMS residual over the half step, (N,); a clean corner has a few hundredths, a covered one has tenths."""
    moved: Array
    """Shift from the start, in squares, (N,)."""


def fit_saddles(grey: NDArray[np.uint8], start_px: Array, along_px: Array, across_px: Array) -> SaddleFit:
    """Fit corners from ``start_px`` (N, 2), good to a quarter of a square.

    ``along_px`` and ``across_px`` (N, 2): one square's sides in the picture, in pixels, along u and v.
    """
    t = np.linspace(-HALF_WIDTH, HALF_WIDTH, SAMPLES)
    u, v = (g.ravel() for g in np.meshgrid(t, t, indexing="ij"))
    axes = np.stack([along_px, across_px], axis=2)
    values = _patches(grey, start_px, axes, np.stack([u, v]))
    theta = _first_guess(values, u, v, axes)
    least = np.log(np.clip(SIGMA_FLOOR_PX / np.linalg.norm(axes, axis=1), 0.01, 0.3))
    theta, residual = _levenberg_marquardt(theta, values.reshape(-1, SAMPLES, SAMPLES), t, least)
    shift = np.einsum("nij,nj->ni", axes, theta[:, :2])
    sigma = np.exp(theta[:, 6:]) * np.linalg.norm(axes, axis=1)
    misfit = np.sqrt(np.mean(residual**2, axis=(1, 2))) / np.maximum(np.abs(theta[:, 5]), 1e-6)
    return SaddleFit(start_px + shift, theta[:, 5], sigma, misfit, np.linalg.norm(theta[:, :2], axis=1))


def _patches(grey: NDArray[np.uint8], start_px: Array, axes: Array, grid: Array) -> Array:
    """Grey levels on every corner's own grid, (N, M)."""
    pixels = (start_px[:, None] + np.einsum("nij,jm->nmi", axes, grid)).astype(np.float32)
    left, top = np.maximum(np.floor(pixels.min(axis=(0, 1))).astype(int) - 1, 0)
    right, bottom = np.ceil(pixels.max(axis=(0, 1))).astype(int) + 2
    window = grey[top:bottom, left:right].astype(np.float32)
    x, y = pixels[..., 0] - np.float32(left), pixels[..., 1] - np.float32(top)
    return np.asarray(cv2.remap(window, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), dtype=np.float64)


def _first_guess(values: Array, u: Array, v: Array, axes: Array) -> Array:
    theta = np.zeros((len(values), N_PARAMETERS))
    theta[:, 2] = values.mean(axis=1)
    theta[:, 5] = (values * np.sign(u * v)).mean(axis=1)
    theta[:, 6:] = np.log(np.clip(1.0 / np.linalg.norm(axes, axis=1), 0.02, 0.3))
    return theta


@dataclass(frozen=True, eq=False)
class _Modelled:
    """Grey levels on the grid t x t, (N, T, T), and their derivatives by the parameters.

    Each derivative is a product of a function of u and one of v, (N, 8, T) both; no product is ever written out.
    """

    grey: Array
    along: Array
    across: Array

    def chosen(self, better: NDArray[np.bool_], other: _Modelled) -> _Modelled:
        """The other model where it is better."""
        pick = better[:, None, None]
        return _Modelled(
            np.where(pick, other.grey, self.grey),
            np.where(pick, other.along, self.along),
            np.where(pick, other.across, self.across),
        )


def _model(theta: Array, t: Array) -> _Modelled:
    u0, v0, level, gu, gv, step, su, sv = (theta[:, i, None] for i in range(N_PARAMETERS))
    eu, du, xu = _blurred_step(t - u0, np.exp(su))
    ev, dv, xv = _blurred_step(t - v0, np.exp(sv))
    one, ramp = np.ones_like(eu), np.broadcast_to(t, eu.shape)
    along = np.stack([-step * du, -step * eu, one, ramp, one, eu, -step * xu * du * np.exp(su), -step * eu], axis=1)
    across = np.stack([ev, dv, one, one, ramp, ev, ev, xv * dv * np.exp(sv)], axis=1)
    grey = (level + gu * t)[:, :, None] + (gv * t)[:, None, :] + (step * eu)[:, :, None] * ev[:, None, :]
    return _Modelled(grey, along, across)


def _blurred_step(x: Array, sigma: Array) -> tuple[Array, Array, Array]:
    """Blurred step, its derivative by x, and x in units of sigma."""
    scaled = x / sigma
    return erf(scaled / np.sqrt(2)), np.sqrt(2 / np.pi) * np.exp(-0.5 * scaled * scaled) / sigma, scaled


def _levenberg_marquardt(theta: Array, values: Array, t: Array, least_log_sigma: Array) -> tuple[Array, Array]:
    """Parameters (N, 8) and residuals (N, T, T) of all corners at once, each with a damping of its own.

    A step that does not lower its cost is not taken.
    """
    damping = np.full(len(theta), 1e-2)
    model = _model(theta, t)
    residual = values - model.grey
    cost = np.sum(residual**2, axis=(1, 2))
    for _ in range(ITERATIONS):
        moved = theta + _damped_step(model, residual, damping)
        moved[:, 6:] = np.clip(moved[:, 6:], least_log_sigma, np.log(0.4))
        new_model = _model(moved, t)
        new_residual = values - new_model.grey
        new_cost = np.sum(new_residual**2, axis=(1, 2))
        better = new_cost < cost
        theta = np.where(better[:, None], moved, theta)
        model = model.chosen(better, new_model)
        residual = np.where(better[:, None, None], new_residual, residual)
        cost = np.where(better, new_cost, cost)
        damping = np.clip(np.where(better, damping / 8, damping * 8), 1e-6, 1e6)
    return theta, residual


def _damped_step(model: _Modelled, residual: Array, damping: Array) -> Array:
    """Step of the parameters, (N, 8); sums over the grid of products are products of sums."""
    along, across = model.along, model.across
    normal = np.matmul(along, along.transpose(0, 2, 1)) * np.matmul(across, across.transpose(0, 2, 1))
    diagonal = np.einsum("nii->ni", normal)
    normal = normal + np.eye(N_PARAMETERS) * (damping[:, None] * diagonal + 1e-9)[:, None, :]
    gradient = np.sum(np.matmul(along, residual) * across, axis=2)
    return np.asarray(np.linalg.solve(normal, gradient[..., None])[..., 0])
