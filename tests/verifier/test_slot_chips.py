"""Broken faces beside a saw's edge, on strips of pavement made with and without them."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from verifier.slot_chips import (
    CELL_MM,
    INWARD_MM,
    OUTWARD_MM,
    EdgeChips,
    EdgeStrip,
    Face,
    best_outlines,
    deepest_chip_of,
    find_faces,
    relative_tone,
)

Array = NDArray[np.float64]
Image32 = NDArray[np.float32]

S = np.arange(0.0, 500.0)
V = np.arange(-INWARD_MM, OUTWARD_MM, CELL_MM)
SPAN = (30.0, 470.0)


def _pavement(seed: int, scatter: float = 0.25, inside: float = 0.05) -> Image32:
    """Light of a strip: grain of about 3 mm outside the edge, an even floor inside."""
    rng = np.random.default_rng(seed)
    grain = gaussian_filter(rng.normal(size=(len(S), len(V))), (1.2, 2.4))
    light = 0.25 * np.exp(scatter * grain / grain.std())
    light[:, V < 0] = inside
    return np.asarray(light + rng.normal(0, 0.003, light.shape), np.float32)


def _blob(middle_mm: float, base_mm: float, depth_mm: float, length_mm: float) -> NDArray[np.bool_]:
    """Cells between a line at a distance ``base_mm`` from the edge and a parabola above it."""
    height = depth_mm * (1.0 - (2 * (S - middle_mm) / length_mm) ** 2)
    return (V[None] >= base_mm) & (V[None] < base_mm + height[:, None])


def _chips(light: Image32, blur_mm: float = 0.3) -> EdgeChips:
    strip = EdgeStrip(S, V, relative_tone(light, V), max(0.5, 1.5 * blur_mm), 3.0)
    return find_faces(strip, SPAN, blur_mm)


@pytest.mark.parametrize(("tone", "inside"), [(0.1, 0.05), (0.6, 0.8)])
def test_a_broken_face_is_found_dark_or_in_the_light_of_the_wall(tone: float, inside: float) -> None:
    light = _pavement(1, inside=inside)
    light[_blob(200.0, 0.0, 6.0, 26.0)] = tone
    face = _chips(light).faces[0]
    assert face.probability > 0.8
    assert face.depth_mm == pytest.approx(6.0, abs=0.8)
    assert face.s_mm == pytest.approx(200.0, abs=4.0)
    assert face.length_mm == pytest.approx(26.0, abs=5.0)


def test_a_smooth_face_of_the_pavements_own_tone_is_outlined_but_not_trusted() -> None:
    """Median tone, no texture: its evenness shows where it ends, but patches of one stone look the same."""
    light = _pavement(2, scatter=0.6)
    light[_blob(250.0, 0.0, 8.0, 40.0)] = 0.25
    face = min(_chips(light).faces, key=lambda f: abs(f.s_mm - 250.0))
    assert face.depth_mm == pytest.approx(8.0, abs=0.8)
    assert face.length_mm == pytest.approx(40.0, abs=6.0)
    assert face.probability < 0.3


@pytest.mark.parametrize("seed", range(5))
def test_pavement_alone_shows_no_chip(seed: int) -> None:
    chips = _chips(_pavement(10 + seed, scatter=0.4))
    assert max((f.probability for f in chips.faces), default=0.0) < 0.4
    found = deepest_chip_of([chips])
    assert 1.0 < found.depth_mm < 3.5


def test_a_dark_stone_at_the_edge_is_no_chip_where_the_pavement_is_full_of_them() -> None:
    """The same patch at the edge, alone and as one of many: only what other lines show tells the two apart."""
    alone, many = _pavement(3), _pavement(3)
    at_edge = _blob(240.0, 0.0, 4.0, 10.0)
    alone[at_edge] = many[at_edge] = 0.12
    rng = np.random.default_rng(4)
    for middle, base in zip(rng.uniform(0, 500, 60), rng.uniform(6, 40, 60), strict=True):
        many[_blob(middle, base, 4.0, 10.0) | _blob(middle, base - 2.0, 4.0, 10.0)] = 0.12
    near = [min(_chips(x).faces, key=lambda f: abs(f.s_mm - 240.0)) for x in (alone, many)]
    assert all(abs(f.s_mm - 240.0) < 4.0 for f in near)
    assert near[1].by_chance_per_m > 5.0 * near[0].by_chance_per_m
    assert near[1].probability < 0.3 < near[0].probability


def test_a_patch_that_a_bar_cuts_off_is_not_taken_for_a_chip() -> None:
    light = _pavement(5)
    light[200:240, (V >= 0) & (V < 10.0)] = 0.1
    assert any(abs(f.s_mm - 220.0) < 10 and f.depth_mm > 8.0 for f in _chips(light).faces)
    light[:, V >= 10.0] = np.nan
    assert not any(abs(f.s_mm - 220.0) < 10 and f.depth_mm > 8.0 for f in _chips(light).faces)


def test_a_chip_outside_the_measured_length_does_not_count() -> None:
    light = _pavement(6)
    light[_blob(12.0, 0.0, 6.0, 20.0)] = 0.1
    assert all(f.s_mm > SPAN[0] - 10 for f in _chips(light).faces)


def test_tape_beside_the_edge_is_left_out() -> None:
    light = _pavement(7)
    light[:, (V >= 12.0) & (V < 30.0)] = 0.9
    tone = relative_tone(light, V)
    assert np.isnan(tone[:, (V > 12.5) & (V < 29.5)]).all()
    assert np.isfinite(tone[:, (V > 0.5) & (V < 11.5)]).all()
    assert abs(float(np.median(tone[:, (V > 2.0) & (V < 11.0)]))) < 0.05


def test_outlines_are_the_best_of_all_there_are() -> None:
    """Against trying every outline of 5 stations and 4 heights."""
    rng = np.random.default_rng(8)
    gains = rng.normal(size=(12, 5, 4)).astype(np.float32)
    gains[:, :, 0] = 0.0
    found = best_outlines(gains, 0.6)
    every = np.array(list(itertools.product(range(4), repeat=5)))
    cost = 0.6 * np.abs(np.diff(every, axis=1)).sum(axis=1)
    for one, outline in zip(gains, found, strict=True):
        values = one[np.arange(5), every].sum(axis=1) - cost
        best = one[np.arange(5), outline].sum() - 0.6 * np.abs(np.diff(outline)).sum()
        assert best == pytest.approx(values.max(), abs=1e-5)


def _edge(*faces: Face, scatter: float = 0.1) -> EdgeChips:
    return EdgeChips(faces, 1000.0, scatter, 0.3)


def test_a_sure_chip_is_the_value_and_a_doubtful_one_widens_the_uncertainty() -> None:
    sure, doubtful = (Face(0.0, 25.0, 7.0, 0.0, rate) for rate in (1e-6, 0.05))
    clear, open_, none = (deepest_chip_of([_edge(*f)]) for f in ((sure,), (doubtful,), ()))
    assert sure.probability > 0.95
    assert 0.3 < doubtful.probability < 0.7
    assert clear.depth_mm == pytest.approx(7.5, abs=0.5)
    assert none.depth_mm < open_.depth_mm < clear.depth_mm
    assert np.hypot(open_.u_which_mm, open_.u_rim_mm) > 2.0 * np.hypot(clear.u_which_mm, clear.u_rim_mm) > 1.0


def test_where_faces_would_not_show_the_uncertainty_says_so() -> None:
    plain, stony = (deepest_chip_of([_edge(scatter=s)] * 2) for s in (0.05, 0.8))
    assert stony.u_which_mm > 1.25 * plain.u_which_mm
    assert stony.depth_mm > plain.depth_mm


def test_the_law_holds_what_it_was_made_of() -> None:
    """Drawn from its own assumptions (chips that are seen with p = 0.5), 93 % or more lie within two u."""
    face = Face(0.0, 25.0, 7.0, 0.0, 0.05)
    law = deepest_chip_of([_edge(face)])
    rng = np.random.default_rng(9)
    usual = rng.normal(1.6, 0.45, 4000)
    deep = np.where(rng.random(4000) < face.probability, rng.normal(7.7, 1.3, 4000), 0.0)
    error = np.maximum(usual, deep) - law.depth_mm
    assert np.mean(np.abs(error) < 2.0 * np.hypot(law.u_which_mm, law.u_rim_mm)) > 0.93
    assert abs(float(np.mean(error))) < 0.5
