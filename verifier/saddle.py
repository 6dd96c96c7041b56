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
    theta = _levenberg_marquardt(theta, values, t, least)
    residual = values - _model(theta, t)[0]
    shift = np.einsum("nij,nj->ni", axes, theta[:, :2])
    sigma = np.exp(theta[:, 6:]) * np.linalg.norm(axes, axis=1)
    misfit = np.sqrt(np.mean(residual**2, axis=1)) / np.maximum(np.abs(theta[:, 5]), 1e-6)
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


def _model(theta: Array, t: Array) -> tuple[Array, Array]:
    """Grey levels (N, M) on the grid t x t and their derivatives (N, M, 8); the model is a product, so is its cost."""
    u0, v0, level, gu, gv, step, su, sv = (theta[:, i, None] for i in range(N_PARAMETERS))
    eu, du, xu = _blurred_step(t - u0, np.exp(su))
    ev, dv, xv = _blurred_step(t - v0, np.exp(sv))
    one, ramp = np.ones_like(eu), np.broadcast_to(t, eu.shape)
    factors = [
        (-step * du, ev), (-step * eu, dv), (one, one), (ramp, one), (one, ramp), (eu, ev),
        (-step * xu * du * np.exp(su), ev), (-step * eu, xv * dv * np.exp(sv)),
    ]  # fmt: skip
    jacobian = np.stack([(a[:, :, None] * b[:, None, :]).reshape(len(theta), -1) for a, b in factors], axis=2)
    grey = level + gu * jacobian[:, :, 3] + gv * jacobian[:, :, 4] + step * jacobian[:, :, 5]
    return grey, jacobian


def _blurred_step(x: Array, sigma: Array) -> tuple[Array, Array, Array]:
    """Blurred step, its derivative by x, and x in units of sigma."""
    scaled = x / sigma
    return erf(scaled / np.sqrt(2)), np.sqrt(2 / np.pi) * np.exp(-0.5 * scaled * scaled) / sigma, scaled


def _levenberg_marquardt(theta: Array, values: Array, t: Array, least_log_sigma: Array) -> Array:
    """All corners at once, each with a damping of its own; a step that does not lower its cost is not taken."""
    damping = np.full(len(theta), 1e-2)
    model, jacobian = _model(theta, t)
    cost = np.sum((values - model) ** 2, axis=1)
    for _ in range(ITERATIONS):
        moved = theta + _damped_step(jacobian, values - model, damping)
        moved[:, 6:] = np.clip(moved[:, 6:], least_log_sigma, np.log(0.4))
        new_model, new_jacobian = _model(moved, t)
        new_cost = np.sum((values - new_model) ** 2, axis=1)
        better = new_cost < cost
        theta = np.where(better[:, None], moved, theta)
        model = np.where(better[:, None], new_model, model)
        jacobian = np.where(better[:, None, None], new_jacobian, jacobian)
        cost = np.where(better, new_cost, cost)
        damping = np.clip(np.where(better, damping / 8, damping * 8), 1e-6, 1e6)
    return theta


def _damped_step(jacobian: Array, residual: Array, damping: Array) -> Array:
    normal = np.matmul(jacobian.transpose(0, 2, 1), jacobian)
    diagonal = np.einsum("nii->ni", normal)
    normal = normal + np.eye(N_PARAMETERS) * (damping[:, None] * diagonal + 1e-9)[:, None, :]
    gradient = np.matmul(jacobian.transpose(0, 2, 1), residual[..., None])
    return np.asarray(np.linalg.solve(normal, gradient)[..., 0])
