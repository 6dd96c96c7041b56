"""What a scene is made of, as plain records of numbers that the kernels can read.

World: millimetres, z = 0 is the pavement's mean plane, x along the lane line, z up.  Colours are linear reflectances.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


class Camera(NamedTuple):
    """A pinhole with two radial terms (OpenCV's convention, centre of the first pixel at (0, 0))."""

    width: int
    height: int
    f: float
    cx: float
    cy: float
    k1: float
    k2: float
    rot: Array  # (3, 3) world to camera
    centre: Array  # (3,) mm
    sway_x: float  # rolling shutter: pixels the picture slides from first row to last
    sway_y: float


class Pavement(NamedTuple):
    """The road's own surface, before anything is put on it."""

    kind: int  # 0 asphalt, 1 broomed concrete, 2 tined concrete, 3 exposed aggregate, 4 a desk, 5 one flat colour
    seed: int
    cell1: float  # mm, lattice of the large stones
    cell2: float
    cell3: float
    keep1: float  # share of lattice cells that hold a stone
    keep2: float
    keep3: float
    relief: float  # mm from matrix to stone tops
    rounding: float  # share of a stone's reach over which its rim falls away
    tilt: float  # slope of stone tops
    film: float  # share of stones still under bitumen
    palette: Array  # (P, 3) stones
    matrix: Array  # (3,) bitumen with sand, or mortar
    mean: Array  # (3,) colour of the whole from afar
    mean_height: float  # mm, mean of the relief before it is taken off
    texture: float  # mm, depth of broom marks or grooves
    pitch: float  # mm between grooves
    dir_x: float  # direction of broom marks or grooves
    dir_y: float
    mottle: float
    mottle_size: float
    gloss: float
    grime: float  # share of contrast lost to dust
    wave: float  # mm, amplitude of the long waves
    ripple: float  # mm, amplitude of the short waves
    plane_a: float  # what of the waves is taken off so that z = 0 is the mean plane
    plane_b: float
    plane_c: float


class Marking(NamedTuple):
    """Stripes along x: edges tabulated, paint that wears off in flakes."""

    x0: float
    dx: float
    low: Array  # (K, N) y of the lower edge
    high: Array  # (K, N)
    rgb: Array  # (K, 3)
    thick: Array  # (K,) mm
    wear: Array  # (K,) share worn off
    ragged: Array  # (K,) mm
    style: Array  # (K,) 0 paint, 1 thermoplastic with beads, 2 scar of a removed marking, 3 black paint
    dirt: Array  # (K,)
    seed: Array  # (K,)


class Marks(NamedTuple):
    """Everything flat that lies on the road: see `marks.py` for the columns."""

    table: Array  # (M, 20)
    points: Array  # (Q, 2)


class Channel(NamedTuple):
    """The slot, open or with the sensor in it; s along, n to the left, tables start at s0 with step ds."""

    mode: int  # 0 none, 1 open slot, 2 sensor in grout
    ox: float
    oy: float
    cs: float
    sn: float
    s0: float
    ds: float
    left: Array  # saw's path
    right: Array
    chip_left: Array  # depth of chips, >= 0
    chip_right: Array
    chip_high: float  # how deep a chip reaches down, as a share of its depth in plan
    start: float  # the slot's ends along s
    stop: float
    depth: float
    overcut: float  # mm of thin kerf past the ends
    floor_rgb: Array
    wall_rgb: Array
    dust: float
    water: float  # mm of water on the floor
    debris: float
    seed: int
    # sensor
    half: float  # half the sensor's width
    grout_left: Array  # n of the outer boundary
    grout_right: Array
    rise_left: Array  # mm height of the ridge over the pavement
    rise_right: Array
    recess: float  # mm, grout below flush inside the slot
    sensor_rgb: Array
    sensor_style: int  # 0 brushed metal, 1 sand-filled, 2 dark resin, 3 painted
    sensor_gloss: float
    grout_rgb: Array
    grout_style: int
    proud: float  # mm, sensor top over the pavement
    film_left: float
    bubbles: float


class Light(NamedTuple):
    """Lamps and sky.  A row of `table`: kind (0 sun, 1 lamp), position or direction, rgb, radius (mm or rad), axis,
    cosines.
    """

    table: Array  # (L, 13)
    ambient: Array  # (3,)
    sky: Array  # (3,) what a wet surface mirrors
    slant: Array  # (3,) how the sky's light leans: brighter towards this vector
    caps: Array  # (C, 7) shadow casters out of the picture: two ends, radius


class Solids(NamedTuple):
    """Bars, boards, stones, boots: boxes and capsules.  Columns in `lighting.py`."""

    boxes: Array  # (B, 40)
    bits: Array  # (T, 8, 8) tag patterns, 1 white
    caps: Array  # (C, 16)
    image: NDArray[np.uint8]  # (h, w, 3) a picture on a box's top, for photos of photos


class World(NamedTuple):
    """All of it."""

    camera: Camera
    pavement: Pavement
    marking: Marking
    marks: Marks
    channel: Channel
    light: Light
    solids: Solids
