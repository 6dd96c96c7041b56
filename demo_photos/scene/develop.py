"""From light to a JPEG, the way a phone does it: lens blur, shake, colour fringes, vignetting, mosaic, noise, its
removal, tone, sharpening, compression."""

from __future__ import annotations

import itertools
from dataclasses import asdict, dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.float32]


@dataclass(frozen=True)
class Capture:
    """One exposure.  Blurs in pixels of the finished picture, `well` in electrons at white, `ev` in stops."""

    sigma: float = 0.55
    defocus: float = 0.0
    motion: float = 0.0
    motion_angle: float = 0.0
    motion_bend: float = 0.0
    fringe_red: float = 0.0
    fringe_blue: float = 0.0
    vignette: float = 0.15
    well: float = 3000.0
    read: float = 2.5
    ev: float = 0.0
    iso: int = 100
    exposure_s: float = 0.01
    balance: tuple[float, float, float] = (1.0, 1.0, 1.0)
    awb: float = 0.6
    denoise: float = 0.3
    sharpen: float = 0.5
    sharpen_radius: float = 1.0
    contrast: float = 0.4
    local: float = 0.2
    saturation: float = 1.05
    quality: int = 88
    focus_error: float = 0.0  # focused this much nearer (-) or farther than the middle of the picture, 1/m
    smear: float = 0.0  # veiling glare, share of light scattered widely

    def as_dict(self) -> dict[str, object]:
        """As it stands in the truth file."""
        return asdict(self)


def _disc(radius: float) -> Image:
    """A disc of a given radius in pixels, area-sampled, sum one."""
    half = int(np.ceil(radius)) + 1
    n = 8
    x = (np.arange((2 * half + 1) * n) + 0.5) / n - half - 0.5
    inside = (x[:, None] ** 2 + x[None] ** 2 <= radius * radius).astype(np.float32)
    k = inside.reshape(2 * half + 1, n, 2 * half + 1, n).mean((1, 3))
    return np.asarray(k / k.sum(), np.float32)


def _path(length: float, angle: float, bend: float) -> Image:
    """A hand's shake: a slightly bent stroke, centred on its own mean, sum one."""
    t = np.linspace(-0.5, 0.5, 201)
    x, y = length * t, bend * length * (t * t - (t * t).mean())
    c, s = np.cos(angle), np.sin(angle)
    x, y = c * x - s * y, s * x + c * y
    half = int(np.ceil(max(np.abs(x).max(), np.abs(y).max()))) + 2
    k = np.zeros((2 * half + 1, 2 * half + 1), np.float32)
    i, j = np.floor(x).astype(int), np.floor(y).astype(int)
    fx, fy = x - i, y - j
    for a, b, wgt in ((0, 0, (1 - fx) * (1 - fy)), (1, 0, fx * (1 - fy)), (0, 1, (1 - fx) * fy), (1, 1, fx * fy)):
        np.add.at(k, (j + b + half, i + a + half), wgt)
    return np.asarray(k / k.sum(), np.float32)


def _blur(img: Image, c: Capture, coc: NDArray[np.float32] | None) -> Image:
    """Lens, focus and shake.  `coc` (h, w) is the blur disc's radius in pixels that the depth of field leaves."""
    out = cv2.GaussianBlur(img, (0, 0), c.sigma, borderType=cv2.BORDER_REFLECT)
    if c.motion > 0.3:
        out = cv2.filter2D(out, -1, _path(c.motion, c.motion_angle, c.motion_bend), borderType=cv2.BORDER_REFLECT)
    if coc is not None and coc.max() > 0.25:
        out = _depth_blur(np.asarray(out, np.float32), coc)
    if c.defocus > 0.3:
        out = cv2.filter2D(out, -1, _disc(c.defocus), borderType=cv2.BORDER_REFLECT)
    return np.asarray(out, np.float32)


def _depth_blur(img: Image, coc: NDArray[np.float32]) -> Image:
    """Three pictures of rising blur, mixed by the variance each pixel asks for (a disc of radius r has variance r^2/4
    an axis).
    """
    var = 0.25 * np.minimum(coc, 5.0) ** 2
    top = float(var.max())
    levels = [0.0, 0.25 * top, top]
    below = img
    out = img.copy()
    for low, high in itertools.pairwise(levels):
        above: Image = np.asarray(
            cv2.GaussianBlur(img, (0, 0), float(np.sqrt(high)), borderType=cv2.BORDER_REFLECT), np.float32
        )
        share = np.clip((var - low) / (high - low), 0, 1)
        out += share[..., None] * (above - below)
        below = above
    return out


def _fringe(img: Image, c: Capture, cx: float, cy: float) -> Image:
    """Lateral colour: red and blue slightly larger or smaller about the principal point."""
    h, w = img.shape[:2]
    for channel, scale in ((0, c.fringe_red), (2, c.fringe_blue)):
        if abs(scale) * 0.5 * w < 0.05:
            continue
        m = np.array([[1 + scale, 0, -scale * cx], [0, 1 + scale, -scale * cy]])
        img[..., channel] = cv2.warpAffine(
            np.ascontiguousarray(img[..., channel]),
            m,
            (w, h),
            flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REFLECT,
        )
    return img


def _vignette(shape: tuple[int, ...], strength: float, cx: float, cy: float) -> NDArray[np.float32]:
    h, w = shape[:2]
    x = (np.arange(w, dtype=np.float32) - cx) / (0.5 * np.hypot(w, h))
    y = (np.arange(h, dtype=np.float32) - cy) / (0.5 * np.hypot(w, h))
    r2 = x[None] ** 2 + y[:, None] ** 2
    return np.asarray(1.0 - strength * r2 * (0.7 + 0.3 * r2), np.float32)


def expose(img: Image, ev: float) -> float:
    """The gain an auto-exposure would choose: mid tones to 0.19, bright things near white, then `ev` stops."""
    y = np.maximum(img[::9, ::9].mean(2), 0.0)  # interpolated colours can fall a little below nothing
    middle = float(np.exp(np.log(y + 1e-4).mean()))
    bright = max(float(np.quantile(y, 0.997)), 1e-4)
    gain = min((0.19 / middle) ** 0.6 * (0.95 / bright) ** 0.4, 1.15 / bright)
    return float(gain * 2.0**ev)


def _white_balance(img: Image, share: float) -> NDArray[np.float32]:
    """Gains that take a share of the scene's cast away, as automatic white balance does."""
    mean = img[::9, ::9].reshape(-1, 3).mean(0) + 1e-6
    gain = (mean[1] / mean) ** share
    return np.asarray(gain / gain.mean(), np.float32)


def _mosaic_and_back(img: Image, c: Capture, rng: np.random.Generator) -> Image:
    """Photons and electrons in a Bayer mosaic, then an edge-aware demosaic."""
    h, w = img.shape[:2]
    raw = np.empty((h, w), np.float32)
    raw[0::2, 0::2], raw[0::2, 1::2] = img[0::2, 0::2, 0], img[0::2, 1::2, 1]
    raw[1::2, 0::2], raw[1::2, 1::2] = img[1::2, 0::2, 1], img[1::2, 1::2, 2]
    np.clip(raw, 0, 1.6, out=raw)
    noise = np.sqrt(raw / c.well + (c.read / c.well) ** 2, dtype=np.float32)
    raw += noise * rng.standard_normal(raw.shape, np.float32)
    digits = np.clip((np.minimum(raw, 1.25) + 0.02) * 51000, 0, 65535).astype(np.uint16)
    rgb = cv2.cvtColor(digits, cv2.COLOR_BayerBG2RGB_EA)
    return np.asarray(rgb.astype(np.float32) * np.float32(1 / 51000) - np.float32(0.02), np.float32)


def _denoise(ycc: Image, c: Capture) -> Image:
    """Chroma strongly smoothed, luma gently where it is flat."""
    small = cv2.resize(ycc[..., 1:], None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), 0.6 + 1.2 * c.denoise)
    chroma = cv2.resize(small, (ycc.shape[1], ycc.shape[0]), interpolation=cv2.INTER_LINEAR)
    keep = np.float32(max(0.15, 0.75 - c.denoise))
    ycc[..., 1:] = keep * ycc[..., 1:] + (1 - keep) * chroma
    if c.denoise > 0.05:
        y = np.ascontiguousarray(ycc[..., 0])
        mean = cv2.blur(y, (5, 5))
        var = np.maximum(cv2.blur(y * y, (5, 5)) - mean * mean, 0)
        floor = np.float32((0.004 + 0.022 * c.denoise) ** 2 + 0.18 / c.well)
        a = var / (var + floor * (0.3 + 2.0 * c.denoise))
        ycc[..., 0] = mean + (0.25 + 0.75 * a) * (y - mean) if c.denoise < 0.5 else mean + a * (y - mean)
    return ycc


def _curve(c: Capture) -> NDArray[np.float32]:
    """sRGB's curve with a shoulder and an S of given contrast, 4096 entries for [0, 1.25]."""
    x = np.linspace(0, 1.25, 4096)
    soft = np.where(x < 0.6, x, 0.6 + 0.4 * np.tanh((x - 0.6) / 0.42))
    v = np.where(soft < 0.0031308, 12.92 * soft, 1.055 * np.maximum(soft, 1e-9) ** (1 / 2.4) - 0.055)
    s = v * v * (3 - 2 * v)
    return np.asarray(v + c.contrast * 0.55 * (s - v), np.float32)


def develop(
    light: Image, c: Capture, cx: float, cy: float, rng: np.random.Generator, coc: NDArray[np.float32] | None = None
) -> NDArray[np.uint8]:
    """8-bit RGB picture (h, w, 3) from linear light."""
    img = _blur(light, c, coc)
    if c.smear > 0:
        small = cv2.resize(img, None, fx=1 / 16, fy=1 / 16, interpolation=cv2.INTER_AREA)
        haze = cv2.GaussianBlur(small, (0, 0), small.shape[1] / 14)
        img += c.smear * cv2.resize(haze, (img.shape[1], img.shape[0]), interpolation=cv2.INTER_LINEAR)
    img = _fringe(img, c, cx, cy)
    img *= np.float32(expose(light, c.ev)) * _vignette(img.shape, c.vignette, cx, cy)[..., None]
    img *= np.array(c.balance, np.float32) * _white_balance(img, c.awb)
    img = _mosaic_and_back(img, c, rng)
    lut = _curve(c)
    idx = np.clip(img * np.float32(4095 / 1.25), 0, 4095).astype(np.uint16)
    img = lut[idx]
    ycc = cv2.cvtColor(img, cv2.COLOR_RGB2YCrCb)
    ycc = _denoise(ycc, c)
    y = ycc[..., 0]
    if c.local > 0:
        small = cv2.resize(y, None, fx=1 / 16, fy=1 / 16, interpolation=cv2.INTER_AREA)
        base = cv2.resize(
            cv2.GaussianBlur(small, (0, 0), small.shape[1] / 40),
            (y.shape[1], y.shape[0]),
            interpolation=cv2.INTER_LINEAR,
        )
        y = y + c.local * (0.45 - base) * (1 - np.abs(2 * base - 1)) * 0.9
    detail = y - cv2.GaussianBlur(y, (0, 0), c.sharpen_radius)
    core = 0.004 + 0.5 / c.well**0.5 * 0.3
    detail = np.sign(detail) * np.maximum(np.abs(detail) - core, 0)
    ycc[..., 0] = y + 1.3 * c.sharpen * np.clip(detail, -0.16, 0.16)
    ycc[..., 1:] = 0.5 + c.saturation * (ycc[..., 1:] - 0.5)
    rgb = cv2.cvtColor(ycc, cv2.COLOR_YCrCb2RGB)
    dither = rng.random(rgb.shape[:2], np.float32)[..., None] - 0.5
    return np.asarray(np.clip(rgb * 255 + 0.5 + 0.5 * dither, 0, 255).astype(np.uint8))
