"""What makes it doubtful that a traced edge is the arris, each sign by itself on made-up cross-sections."""

from dataclasses import replace

import numpy as np
import pytest

from verifier.finding import Axis
from verifier.slot_continuity import Continuity
from verifier.slot_doubt import _is_of_stones, _may_be_floor, _rivals, _surely_ends, is_deep
from verifier.slot_edges import Edge, EdgeTrace
from verifier.slot_pairs import Pair
from verifier.slot_path import SawPath, find_saw_path
from verifier.slot_search import MOST_BANDS, Band, _distinct
from verifier.slot_section import Section, Step

N_MM = np.arange(-140.0, 140.0, 0.4)
SHADE, DUST, PAINT = (0.24, -0.12), (-0.15, 0.14), (0.6, 0.5)
STRIP_MM = 17.0


def section(strip_colour: tuple[float, float], strip_texture: float, inside_colour: tuple[float, float]) -> Section:
    """Slot from -30 to 30 with a strip outside its right edge, pavement beyond."""
    inside, strip = np.abs(N_MM) < 30.0, (N_MM <= -30.0) & (N_MM > -30.0 - STRIP_MM)
    tone = np.where(inside, -0.9, np.where(strip, -0.3, 0.0))
    texture = np.where(inside, -2.5, np.where(strip, strip_texture, -1.1))
    colour = np.where(
        inside[:, None], inside_colour, np.where(strip[:, None], strip_colour, np.zeros((len(N_MM), 2)))
    )  # fmt: skip
    return Section(N_MM, tone, tone[None, :], texture, texture, np.asarray(colour), 0.5, (10.0, -10.0))


def pair(gain: float = 50.0, smoother: float = 1.0, brighter: float = -0.9, foot_seen: bool = True) -> Pair:
    left, right = Step(30.0, 0.9, 1.0, 1.0), Step(-30.0, -0.6, 1.0, 1.0)
    return Pair(left, right, 0.0, gain, 0.0, foot_seen, smoother, brighter, frozenset())


@pytest.mark.parametrize(
    ("colour", "texture", "inside", "expected"),
    [
        (SHADE, -2.6, SHADE, True),
        (DUST, -2.4, DUST, True),
        (PAINT, -2.6, SHADE, False),
        (SHADE, -1.3, SHADE, False),
    ],
    ids=["floor in the shade", "dusty floor", "paint", "rough as pavement"],
)
def test_a_strip_that_looks_like_the_inside_may_be_floor(
    colour: tuple[float, float], texture: float, inside: tuple[float, float], expected: bool
) -> None:
    assert _may_be_floor(section(colour, texture, inside), pair(), -1, STRIP_MM) is expected


def test_a_line_farther_out_is_a_rival_for_longer_where_floor_may_lie_between() -> None:
    """It explains the cross-section less well by 9, more than what is enough between other lines."""
    outer = replace(pair(), right=Step(-30.0 - STRIP_MM, -0.5, 1.0, 1.0), cost=9.0)
    floor, paint = section(SHADE, -2.6, SHADE), section(PAINT, -2.6, SHADE)
    assert -1 in _rivals([pair(), outer], floor).outside
    assert -1 not in _rivals([pair(), outer], paint).outside


def test_a_line_that_explains_as_much_is_an_even_rival() -> None:
    paint = section(PAINT, -2.6, SHADE)
    for cost, even in ((0.5, True), (4.0, False)):
        rivals = _rivals([pair(), replace(pair(), right=Step(-38.0, -0.5, 1.0, 1.0), cost=cost)], paint)
        assert -1 in rivals.outside
        assert (-1 in rivals.even) is even


def test_a_rival_counts_where_the_pavement_is_broken_as_well() -> None:
    assert not _surely_ends(Continuity(0.0, (12.0, 40.0)), (39.0,))
    assert _surely_ends(Continuity(0.0, (12.0,)), (39.0,))
    assert _surely_ends(Continuity(0.0, (12.0,)), ())
    assert not _surely_ends(Continuity(0.6, ()), ())
    assert not _surely_ends(None, ())


def edge(noise_mm: float, blur_mm: float, by_texture: bool = False) -> Edge:
    s = np.arange(0.0, 800.0, 1.0)
    outward = np.random.default_rng(4).normal(0.0, noise_mm, len(s))
    path: SawPath = find_saw_path(s, outward)
    return Edge(EdgeTrace(-1, s, np.zeros(len(s)), outward, np.ones(len(s)), 1.0, blur_mm, by_texture), path)


def test_a_faint_edge_whose_trace_scatters_is_one_of_stones() -> None:
    faint, clear = Step(-30.0, -0.15, 1.0, 1.0), Step(-30.0, -0.9, 1.0, 1.0)
    assert _is_of_stones(edge(0.5, 0.4), faint)
    assert not _is_of_stones(edge(0.5, 0.4), clear)
    assert not _is_of_stones(edge(0.1, 0.4), faint)
    assert not _is_of_stones(edge(0.5, 0.4, by_texture=True), faint)


@pytest.mark.parametrize(
    ("given", "expected"),
    [
        (pair(), True),
        (pair(brighter=-0.2, smoother=1.1), True),
        (pair(brighter=-0.2, smoother=0.8), False),
        (pair(foot_seen=False), False),
        (pair(gain=20.0), False),
    ],
    ids=["dark and smooth", "bright and much too smooth", "bright and smooth", "no foot of a wall", "little gain"],
)
def test_what_is_deep_whatever_its_edges_look_like(given: Pair, expected: bool) -> None:
    assert is_deep(given) is expected


def test_lane_lines_leave_room_for_what_crosses_them() -> None:
    along = [Band(Axis(np.array([0.0, 100.0 * k]), np.array([1.0, 0.0])), 50.0 - k) for k in range(8)]
    across = Band(Axis(np.zeros(2), np.array([0.0, 1.0])), 5.0)
    kept = _distinct([*along, across], MOST_BANDS)
    assert across in kept
    assert len(kept) == round(0.6 * MOST_BANDS) + 1
