"""The ingredients of a scene, drawn at random: pavements, markings, litter, light, cameras, exposures."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import marks as mk
from . import pavement as pv
from .develop import Capture
from .layers import Camera, Channel, Light, Marking, Marks, Pavement

Array = NDArray[np.float64]
Rng = np.random.Generator


def vec(*a: float) -> Array:
    """A float vector."""
    return np.array(a, float)


# ---- pavements -------------------------------------------------------------------------------------------------------

ROCKS = {
    "granite": [(0.24, 0.23, 0.22), (0.30, 0.28, 0.26), (0.19, 0.18, 0.18), (0.27, 0.23, 0.21), (0.36, 0.34, 0.32)],
    "basalt": [(0.10, 0.10, 0.105), (0.13, 0.13, 0.13), (0.085, 0.09, 0.095), (0.15, 0.145, 0.14)],
    "greywacke": [(0.15, 0.15, 0.145), (0.19, 0.185, 0.175), (0.13, 0.13, 0.13), (0.22, 0.21, 0.19)],
    "gravel": [
        (0.30, 0.27, 0.22),
        (0.38, 0.35, 0.30),
        (0.22, 0.19, 0.16),
        (0.26, 0.20, 0.15),
        (0.45, 0.43, 0.39),
        (0.16, 0.15, 0.14),
    ],
    "quartzite": [(0.42, 0.40, 0.37), (0.50, 0.48, 0.44), (0.34, 0.31, 0.28), (0.40, 0.34, 0.29)],
    "porphyry": [(0.26, 0.18, 0.15), (0.31, 0.23, 0.19), (0.21, 0.16, 0.14), (0.24, 0.21, 0.20)],
    "limestone": [(0.46, 0.45, 0.41), (0.38, 0.37, 0.34), (0.52, 0.50, 0.45), (0.30, 0.29, 0.28)],
}

ASPHALT = {
    # cell1 cell2 keep1 keep2 keep3 relief rounding tilt film matrix gloss rocks
    "fresh": (9.0, 5.0, 0.75, 0.70, 0.7, 0.9, 0.40, 0.16, 0.97, 0.022, 0.12, ("basalt", "greywacke", "granite")),
    "dense": (8.5, 4.6, 0.62, 0.66, 0.7, 0.8, 0.38, 0.13, 0.48, 0.045, 0.03, ("greywacke", "granite", "gravel")),
    "coarse": (
        13.5,
        6.5,
        0.80,
        0.70,
        0.6,
        1.7,
        0.42,
        0.15,
        0.55,
        0.035,
        0.04,
        ("greywacke", "granite", "porphyry", "basalt"),
    ),
    "porous": (11.0, 5.0, 0.84, 0.30, 0.3, 2.6, 0.55, 0.18, 0.62, 0.018, 0.03, ("basalt", "greywacke", "granite")),
    "worn": (
        10.0,
        5.2,
        0.70,
        0.70,
        0.8,
        1.2,
        0.35,
        0.11,
        0.22,
        0.075,
        0.02,
        ("gravel", "granite", "limestone", "porphyry"),
    ),
    "bleached": (8.0, 4.2, 0.55, 0.70, 0.8, 0.7, 0.38, 0.12, 0.30, 0.115, 0.01, ("granite", "gravel", "limestone")),
}

CONCRETES = ("broomed", "tined", "exposed")
PAVEMENTS = (*ASPHALT, *CONCRETES)


def pavement(rng: Rng, style: str) -> Pavement:
    """A pavement of the named style, settled (mean colour and height known)."""
    seed = int(rng.integers(1, 60))
    common: dict[str, Any] = {
        "seed": seed,
        "mottle": rng.uniform(0.05, 0.16),
        "mottle_size": rng.uniform(250, 900),
        "wave": rng.uniform(0.0, 0.45),
        "ripple": rng.uniform(0.02, 0.18),
        "mean": vec(0.2, 0.2, 0.2),
        "mean_height": 0.0,
        "plane_a": 0.0,
        "plane_b": 0.0,
        "plane_c": 0.0,
        "grime": rng.uniform(0.05, 0.45),
    }
    heading = rng.choice([0.0, 90.0]) + rng.normal(0, 1.5)
    common |= {"dir_x": float(np.cos(np.radians(heading))), "dir_y": float(np.sin(np.radians(heading)))}
    if style in ASPHALT:
        c1, c2, k1, k2, k3, relief, rounding, tilt, film, black, gloss, rocks = ASPHALT[style]
        palette = np.array(ROCKS[str(rng.choice(rocks))]) * rng.uniform(0.85, 1.1)
        scale = rng.uniform(0.85, 1.2)
        tint = vec(1.02, 1.0, 0.97) * black * rng.uniform(0.85, 1.25)
        return pv.settle(
            Pavement(
                kind=0,
                cell1=c1 * scale,
                cell2=c2 * scale,
                cell3=2.2,
                keep1=k1,
                keep2=k2,
                keep3=k3,
                relief=relief * rng.uniform(0.8, 1.15),
                rounding=rounding,
                tilt=tilt,
                film=float(np.clip(film + rng.normal(0, 0.07), 0, 1)),
                palette=palette,
                matrix=tint,
                texture=0.0,
                pitch=1.0,
                gloss=gloss,
                **common,
            )
        )
    tone = rng.uniform(0.24, 0.42)
    tint = tone * vec(1.03, 1.0, rng.uniform(0.88, 0.96))
    palette = np.array(ROCKS[str(rng.choice(["granite", "gravel", "limestone", "quartzite"]))]) * 0.9
    kind = 1 + CONCRETES.index(style)
    cell = rng.uniform(7.0, 9.5) if style == "exposed" else rng.uniform(14, 22)
    return pv.settle(
        Pavement(
            kind=kind,
            cell1=cell,
            cell2=6.0,
            cell3=2.2,
            keep1=0.86 if style == "exposed" else 0.5,
            keep2=0.5,
            keep3=0.5,
            relief=rng.uniform(0.8, 1.6) if style == "exposed" else 0.0,
            rounding=0.7,
            tilt=0.0,
            film=0.0,
            palette=palette,
            matrix=tint * (0.75 if style == "exposed" else 1.0),
            texture=rng.uniform(0.10, 0.30) if kind == 1 else rng.uniform(2.0, 3.5),
            pitch=rng.uniform(14, 22),
            gloss=0.01,
            **common,
        )
    )


def damp(p: Pavement) -> Pavement:
    """The same road after rain: darker, with a film of water."""
    k = 0.55
    return p._replace(palette=p.palette * k, matrix=p.matrix * k, mean=p.mean * k, gloss=0.42, grime=p.grime * 0.6)


def level(p: Pavement, x: float, y: float, reach: float) -> tuple[Pavement, float]:
    """The pavement with its waves taken about their mean plane around (x, y); also their rms there, mm."""
    g = np.linspace(-reach, reach, 13)
    pts = np.array([(x + a, y + b) for a in g for b in g])
    flat = p._replace(plane_a=0.0, plane_b=0.0, plane_c=0.0)
    z = np.array([pv.waves(a, b, flat) for a, b in pts])
    design = np.column_stack([np.ones(len(pts)), pts])
    coef = np.linalg.lstsq(design, z, rcond=None)[0]
    rest = z - design @ coef
    return p._replace(plane_a=float(coef[0]), plane_b=float(coef[1]), plane_c=float(coef[2])), float(rest.std())


# ---- markings --------------------------------------------------------------------------------------------------------

X_LOW, X_HIGH, X_STEP = -9000.0, 9000.0, 20.0
WHITE, YELLOW = (0.62, 0.62, 0.60), (0.62, 0.42, 0.05)


@dataclass(frozen=True)
class Stripe:
    """A painted stripe: its edges against x, its look."""

    low: Array
    high: Array
    rgb: tuple[float, float, float]
    thick: float
    wear: float
    ragged: float
    style: int
    dirt: float


def table_x() -> Array:
    """x of the stripes' tables."""
    return np.arange(X_LOW, X_HIGH + 1, X_STEP)


def wander(rng: Rng, rms: float) -> Array:
    """A painted edge's own departure from the straight, zero-mean, along table_x."""
    from .profile import rough

    n = len(table_x())
    return rough(rng, n, X_STEP, rng.uniform(900, 2600), 0.8 * rms) + rough(rng, n, X_STEP, 220.0, 0.45 * rms)


def stripe(
    rng: Rng, y: float, width: float, colour: tuple[float, float, float], wear: float, style: int, slope: float = 0.0
) -> Stripe:
    """A stripe from y to y + width."""
    x = table_x()
    rms = rng.uniform(0.3, 1.0)
    base = y + slope * x
    return Stripe(
        base + wander(rng, rms),
        base + width + wander(rng, rms),
        tuple(np.array(colour) * rng.uniform(0.85, 1.1)),
        rng.uniform(1.2, 2.8) if style == 1 else 0.0,
        wear,
        rng.uniform(0.3, 1.0),
        style,
        rng.uniform(0.02, 0.35),
    )


def marking(rng: Rng, stripes: list[Stripe]) -> Marking:
    """The stripes as the renderer reads them."""
    k, n = len(stripes), len(table_x())
    return Marking(
        X_LOW,
        X_STEP,
        np.array([s.low for s in stripes]).reshape(k, n),
        np.array([s.high for s in stripes]).reshape(k, n),
        np.array([s.rgb for s in stripes]).reshape(k, 3),
        vec(*[s.thick for s in stripes]),
        vec(*[s.wear for s in stripes]),
        vec(*[s.ragged for s in stripes]),
        vec(*[s.style for s in stripes]),
        vec(*[s.dirt for s in stripes]),
        rng.integers(1, 200, k).astype(float),
    )


# ---- marks -----------------------------------------------------------------------------------------------------------

PAINTS = {
    "white": (0.80, 0.80, 0.78),
    "pink": (0.85, 0.10, 0.30),
    "orange": (0.85, 0.22, 0.03),
    "green": (0.12, 0.60, 0.12),
    "blue": (0.06, 0.20, 0.65),
    "yellow": (0.85, 0.62, 0.04),
    "red": (0.62, 0.05, 0.05),
}


class MarkList:
    """Collects rows for the marks table."""

    def __init__(self) -> None:
        self.rows: list[Array] = []
        self.points: list[tuple[float, float]] = []

    def _add(
        self, kind: int, box: tuple[float, float, float, float], **cols: float | tuple[float, float, float]
    ) -> None:
        row = np.zeros(20)
        row[0], row[1:5] = kind, box
        names = {
            "g0": 5,
            "g1": 6,
            "g2": 7,
            "g3": 8,
            "half": 12,
            "strength": 13,
            "soft": 14,
            "seed": 15,
            "age": 16,
            "extra": 17,
            "first": 18,
            "last": 19,
        }
        for name, value in cols.items():
            if name == "rgb":
                row[9:12] = value
            else:
                row[names[name]] = value
        self.rows.append(row)

    def stroke(
        self,
        a: tuple[float, float],
        b: tuple[float, float],
        half: float,
        rgb: tuple[float, float, float],
        **more: float,
    ) -> None:
        """A sprayed line from a to b."""
        pad = half + 6 * more.get("soft", 2.0) + abs(more.get("extra", 0.0)) * 1.5 + 4
        box = (min(a[0], b[0]) - pad, min(a[1], b[1]) - pad, max(a[0], b[0]) + pad, max(a[1], b[1]) + pad)
        more = {"soft": 2.0, "strength": 0.95, "seed": 1} | more
        self._add(mk.STROKE, box, g0=a[0], g1=a[1], g2=b[0], g3=b[1], half=half, rgb=rgb, **more)

    def arc(
        self,
        x: float,
        y: float,
        r: float,
        start: float,
        sweep: float,
        half: float,
        rgb: tuple[float, float, float],
        seed: int,
    ) -> None:
        """Chalk along a circle."""
        p = r + half + 8
        self._add(
            mk.ARC,
            (x - p, y - p, x + p, y + p),
            g0=x,
            g1=y,
            g2=r,
            g3=start,
            half=half,
            rgb=rgb,
            soft=0.8,
            strength=0.8,
            seed=seed,
            extra=sweep,
        )

    def line(
        self,
        kind: int,
        pts: Array,
        half: float,
        rgb: tuple[float, float, float],
        strength: float,
        soft: float,
        seed: int,
    ) -> None:
        """A crack or a sealed one along a polyline."""
        first = len(self.points)
        self.points += [(float(a), float(b)) for a, b in pts]
        pad = half * 2 + 14
        low, high = pts.min(0) - pad, pts.max(0) + pad
        self._add(
            kind,
            (low[0], low[1], high[0], high[1]),
            half=half,
            rgb=rgb,
            strength=strength,
            soft=soft,
            seed=seed,
            first=first,
            last=len(self.points),
        )

    def blob(
        self,
        kind: int,
        x: float,
        y: float,
        rx: float,
        ry: float,
        turn: float,
        rgb: tuple[float, float, float],
        strength: float,
        soft: float,
        seed: int,
    ) -> None:
        """A stain, a wet patch, a dusting."""
        p = 1.9 * max(rx, ry)
        self._add(
            kind,
            (x - p, y - p, x + p, y + p),
            g0=x,
            g1=y,
            g2=rx,
            g3=ry,
            rgb=rgb,
            strength=strength,
            soft=soft,
            seed=seed,
            extra=turn,
        )

    def tape(
        self,
        x: float,
        y: float,
        angle: float,
        half_width: float,
        half_length: float,
        rgb: tuple[float, float, float],
        gloss: float,
        seed: int,
    ) -> None:
        """A strip of tape."""
        p = half_length + half_width + 5
        self._add(
            mk.TAPE,
            (x - p, y - p, x + p, y + p),
            g0=x,
            g1=y,
            g2=np.cos(angle),
            g3=np.sin(angle),
            half=half_width,
            strength=half_length,
            soft=gloss,
            rgb=rgb,
            seed=seed,
        )

    def leaf(
        self, x: float, y: float, length: float, width: float, turn: float, rgb: tuple[float, float, float], seed: int
    ) -> None:
        """A fallen leaf."""
        p = length + 5
        self._add(
            mk.LEAF,
            (x - p, y - p, x + p, y + p),
            g0=x,
            g1=y,
            g2=length,
            g3=width,
            rgb=rgb,
            seed=seed,
            extra=turn,
            strength=1.0,
        )

    def tyre(self, x: float, y: float, angle: float, half: float, strength: float, seed: int) -> None:
        """A dark track of rubber, across the whole picture."""
        self._add(
            mk.TYRE,
            (-1e6, -1e6, 1e6, 1e6),
            g0=x,
            g1=y,
            g2=np.cos(angle),
            g3=np.sin(angle),
            half=half,
            strength=strength,
            rgb=(0.03, 0.03, 0.03),
            seed=seed,
        )

    def done(self) -> Marks:
        """The table the renderer reads."""
        return Marks(np.array(self.rows).reshape(-1, 20), np.array(self.points, float).reshape(-1, 2))


def random_walk(rng: Rng, a: Array, b: Array, pieces: int, stray: float) -> Array:
    """A polyline from a to b that strays sideways."""
    t = np.linspace(0, 1, pieces + 1)[:, None]
    side = vec(-(b - a)[1], (b - a)[0]) / np.linalg.norm(b - a)
    off = np.cumsum(rng.normal(0, stray, pieces + 1))
    off -= np.linspace(off[0], off[-1], pieces + 1)
    return np.asarray(a + t * (b - a) + off[:, None] * side)


SEGMENTS = {
    "0": "abcdef",
    "1": "bc",
    "2": "abged",
    "3": "abgcd",
    "4": "fgbc",
    "5": "afgcd",
    "6": "afgedc",
    "7": "abc",
    "8": "abcdefg",
    "9": "abcdfg",
}
STROKES = {
    "a": ((0, 2), (1, 2)),
    "b": ((1, 2), (1, 1)),
    "c": ((1, 1), (1, 0)),
    "d": ((0, 0), (1, 0)),
    "e": ((0, 1), (0, 0)),
    "f": ((0, 2), (0, 1)),
    "g": ((0, 1), (1, 1)),
}


def chalk_number(rng: Rng, m: MarkList, x: float, y: float, height: float, turn: float, text: str) -> None:
    """A number written with chalk or a paint stick, somewhat shaky."""
    c, s = np.cos(turn), np.sin(turn)
    colour = PAINTS[str(rng.choice(["white", "yellow", "orange", "blue"]))]
    half = height * rng.uniform(0.022, 0.05)
    for i, digit in enumerate(text):
        for name in SEGMENTS[digit]:
            ends = []
            for u, v in STROKES[name]:
                p = vec((i * 0.85 + 0.5 * u) * height, 0.5 * v * height) + rng.normal(0, 0.03 * height, 2)
                ends.append((x + c * p[0] - s * p[1], y + s * p[0] + c * p[1]))
            m.stroke(ends[0], ends[1], half, colour, soft=1.2, strength=0.75, age=0.15, seed=int(rng.integers(1, 99)))


@dataclass(frozen=True)
class Litter:
    """Draws what any road has on it around a point, and keeps the names of what it put down."""

    rng: Rng
    marks: MarkList
    centre: Array
    reach: float
    amount: float
    names: list[str]

    def _at(self, k: float = 1.0) -> Array:
        return np.asarray(self.centre + self.rng.uniform(-self.reach, self.reach, 2) * k)

    def _chance(self, p: float, name: str) -> bool:
        hit = bool(self.rng.random() < p * self.amount)
        if hit:
            self.names.append(name)
        return hit

    def _seed(self) -> int:
        return int(self.rng.integers(1, 99))

    def stains(self) -> None:
        """Oil and damp, and tyre tracks."""
        rng = self.rng
        for _ in range(int(rng.poisson(1.2 * self.amount))):
            x, y = self._at()
            r = rng.uniform(0.05, 0.28) * self.reach
            wide, turn = r * rng.uniform(0.5, 1.0), rng.uniform(0, 3)
            strength, soft = rng.uniform(0.2, 0.6), rng.uniform(0.1, 0.5)
            self.marks.blob(mk.STAIN, x, y, r, wide, turn, (0.03, 0.028, 0.025), strength, soft, self._seed())
        if self._chance(0.25, "tyre_mark"):
            x, y = self._at(0.8)
            self.marks.tyre(x, y, rng.normal(0, 0.1), rng.uniform(60, 110), rng.uniform(0.15, 0.55), self._seed())

    def cracks(self) -> None:
        """An open crack, a sealed one."""
        rng = self.rng
        if self._chance(0.30, "crack"):
            a = self._at(1.2)
            path = random_walk(rng, a, a + rng.normal(0, 1, 2) * self.reach, 9, 0.02 * self.reach)
            self.marks.line(mk.CRACK, path, rng.uniform(0.5, 2.2), (0.015, 0.015, 0.015), 0.95, 0.4, self._seed())
        if self._chance(0.16, "sealed_crack"):
            a = self._at(1.3)
            path = random_walk(rng, a, a + rng.normal(0, 1.4, 2) * self.reach, 7, 0.03 * self.reach)
            self.marks.line(mk.SEAL, path, rng.uniform(12, 32), (0.018, 0.018, 0.019), 0.97, 1.2, self._seed())

    def chalk(self) -> None:
        """An arc or a cross."""
        rng = self.rng
        if not self._chance(0.22, "chalk"):
            return
        x, y = self._at(0.8)
        colour = PAINTS[str(rng.choice(["white", "yellow", "blue", "pink"]))]
        if rng.random() < 0.5:
            r = rng.uniform(0.5, 1.5) * 0.1 * self.reach + 20
            start, sweep, half = rng.uniform(0, 6), rng.uniform(0.6, 3.0), rng.uniform(2, 4)
            self.marks.arc(x, y, r, start, sweep, half, colour, self._seed())
            return
        for turn in (0.7, 2.2):
            e = vec(np.cos(turn), np.sin(turn)) * rng.uniform(30, 70)
            ends = (x - e[0], y - e[1]), (x + e[0], y + e[1])
            half = rng.uniform(2, 5)
            self.marks.stroke(*ends, half, colour, soft=1.2, strength=0.8, age=0.2, seed=self._seed())

    def joint(self) -> None:
        """A joint of a concrete pavement, open or sealed, straight across or along."""
        rng = self.rng
        if not self._chance(0.35, "joint"):
            return
        x, y = self._at(0.7)
        a = vec(x, y - 5000) if rng.random() < 0.7 else vec(x - 5000, y)
        b = a + (vec(rng.normal(0, 60), 10000) if a[1] < y - 1000 else vec(10000, rng.normal(0, 60)))
        if rng.random() < 0.5:
            self.marks.line(mk.CRACK, np.array([a, b]), rng.uniform(1.5, 3.0), (0.02, 0.02, 0.02), 0.95, 0.4, 0)
        else:
            self.marks.line(mk.SEAL, np.array([a, b]), rng.uniform(5, 11), (0.022, 0.022, 0.023), 0.96, 0.8, 0)

    def number(self) -> None:
        """A number in chalk."""
        rng = self.rng
        if self._chance(0.12, "chalk_number"):
            x, y = self._at(0.8)
            height, turn = rng.uniform(45, 110), rng.uniform(0, 6.28)
            chalk_number(rng, self.marks, x, y, height, turn, str(int(rng.integers(2, 9999))))

    def leaves(self) -> None:
        """Fallen leaves."""
        rng = self.rng
        for _ in range(int(rng.poisson(0.6 * self.amount)) if rng.random() < 0.3 else 0):
            x, y = self._at()
            tone = rng.uniform(0.7, 1.2)
            self.names.append("leaf")
            size = rng.uniform(14, 32)
            wide, turn = size * rng.uniform(0.35, 0.6), rng.uniform(0, 6)
            self.marks.leaf(x, y, size, wide, turn, rgb(vec(0.22, 0.13, 0.04) * tone), self._seed())


def rgb(colour: Array) -> tuple[float, float, float]:
    """Three numbers as a colour."""
    return float(colour[0]), float(colour[1]), float(colour[2])


def litter(rng: Rng, m: MarkList, centre: Array, reach: float, amount: float, concrete: bool) -> list[str]:
    """Stains, cracks, tar, tyre tracks, chalk, leaves around a point; returns what was put down."""
    d = Litter(rng, m, centre, reach, amount, [])
    d.stains()
    d.cracks()
    d.chalk()
    if concrete:
        d.joint()
    d.number()
    d.leaves()
    return d.names


# ---- light -----------------------------------------------------------------------------------------------------------


def _sun_row(azimuth: float, elevation: float, rgb: Array, angular: float) -> Array:
    row = np.zeros(13)
    row[1:4] = np.cos(elevation) * np.cos(azimuth), np.cos(elevation) * np.sin(azimuth), np.sin(elevation)
    row[4:7], row[7] = rgb, angular
    return row


def lamp_row(at: Array, aim: Array, lux: float, tint: Array, radius: float, cone: tuple[float, float]) -> Array:
    """A lamp that gives `lux` (relative) at the point it aims at."""
    row = np.zeros(13)
    row[0], row[1:4] = 1, at
    d = aim - at
    far = float(np.linalg.norm(d))
    row[4:7] = lux * far * far / 1e6 * tint
    row[7], row[8:11] = radius, d / far
    row[11], row[12] = np.cos(np.radians(cone[0])), np.cos(np.radians(cone[1]))
    return row


WARM, COOL, NEUTRAL, SODIUM = vec(1.25, 1.0, 0.68), vec(0.86, 1.0, 1.18), vec(1.0, 1.0, 0.98), vec(1.5, 0.95, 0.35)


@dataclass(frozen=True)
class Lighting:
    """Light on a scene, what it is called, and how bright the place is (for noise and exposure time)."""

    light: Light
    name: str
    brightness: float  # 1 full day, 0.02 night


def _person(rng: Rng, foot: Array, towards: float) -> list[Array]:
    """Legs, trunk, head of someone standing at `foot`, as capsules (two ends, radius)."""
    side = vec(-np.sin(towards), np.cos(towards)) * rng.uniform(90, 170)
    caps = []
    for k in (-1, 1):
        a = foot + k * side
        caps.append(vec(a[0], a[1], 0, foot[0] + k * side[0] * 0.5, foot[1] + k * side[1] * 0.5, 850, 75))
    caps.append(vec(foot[0], foot[1], 950, foot[0], foot[1], 1420, 170))
    caps.append(vec(foot[0], foot[1], 1640, foot[0], foot[1], 1690, 105))
    return caps


def _sun_shadows(rng: Rng, centre: Array, reach: float, azimuth: float, elevation: float) -> list[Array]:
    """People, poles and vehicles up-sun, so that their shadows fall across the scene."""
    caps: list[Array] = []
    flat = vec(np.cos(azimuth), np.sin(azimuth))
    for _ in range(int(rng.integers(1, 3))):
        hit = centre + rng.uniform(-0.7, 0.7, 2) * reach
        kind = rng.integers(0, 3)
        if kind == 0:
            caps += _person(rng, hit + flat * rng.uniform(300, 1500) / np.tan(elevation), azimuth)
        elif kind == 1:
            foot = hit + flat * rng.uniform(500, 3500) / np.tan(elevation)
            caps.append(vec(foot[0], foot[1], 0, foot[0], foot[1], 5200, rng.uniform(25, 65)))
        else:
            foot = hit + flat * (rng.uniform(800, 1600) / np.tan(elevation) + 500)
            along = vec(-flat[1], flat[0]) * 4000
            caps.append(vec(*(foot - along * rng.uniform(0.0, 1)), 700, *(foot + along), 700, 650))
    return caps


def _sunlight(rng: Rng, mode: str, az: float, slant: Array, centre: Array, reach: float, shadows: bool) -> Lighting:
    """The sun high or low, with a blue sky."""
    el = rng.uniform(0.55, 1.15) if mode == "sun" else rng.uniform(0.16, 0.45)
    strength = rng.uniform(2.2, 3.2)
    warmth = vec(1.04, 1.0, 0.93) if mode == "sun" else vec(1.18, 1.0, 0.78)
    table = [_sun_row(az, el, strength * warmth, 0.0048)]
    ambient = vec(0.42, 0.50, 0.62) * rng.uniform(0.8, 1.2)
    caps = _sun_shadows(rng, centre, reach, az, el) if shadows else []
    light = Light(np.array(table), ambient, vec(0.7, 0.85, 1.1), slant, np.array(caps).reshape(-1, 7))
    return Lighting(light, mode, 1.0)


SKIES = {
    # lowest and highest elevation of the brightest part, its colour, its radius, the rest of the sky, what mirrors show
    "overcast": (1.0, 1.5, (0.42, 0.42, 0.42), 0.7, (0.95, 1.0, 1.06), (1.0, 1.02, 1.06), 0.5),
    "shade": (0.7, 1.3, (0.20, 0.25, 0.32), 0.8, (0.72, 0.95, 1.30), (0.7, 0.9, 1.2), 0.3),
    "dusk": (0.3, 0.9, (0.30, 0.26, 0.30), 0.9, (0.85, 0.92, 1.25), (0.8, 0.8, 1.0), 0.06),
}


def _skylight(rng: Rng, mode: str, az: float, slant: Array) -> Lighting:
    """No sun: the whole sky shines, one part of it somewhat more."""
    low, high, glow, size, ambient, mirror, bright = SKIES[mode]
    elevation = rng.uniform(low, high)
    factor = rng.uniform(0.5, 1.4) if mode == "overcast" else 1.0
    table = [_sun_row(az, elevation, vec(*glow) * factor, size)]
    return Lighting(Light(np.array(table), vec(*ambient), vec(*mirror), slant, np.zeros((0, 7))), mode, bright)


def _lamps(rng: Rng, mode: str, az: float, tint: Array, aim: Array, c3: Array, eye: Array) -> tuple[list[Array], float]:
    """Lamps of a night mode and the stray light beside them."""

    def at(angle: float, dist: float, high: float, side: float = 0.0) -> Array:
        c, s = np.cos(angle), np.sin(angle)
        return np.asarray(c3 + vec(c * dist - s * side, s * dist + c * side, high))

    if mode == "night_mast":
        dist, high = rng.uniform(1500, 6000), rng.uniform(2500, 5500)
        radius, cone = rng.uniform(60, 180), (rng.uniform(18, 30), rng.uniform(45, 65))
        table = [lamp_row(at(az, dist, high), aim, 1.0, tint, radius, cone)]
        if rng.random() < 0.5:
            second = at(az + rng.uniform(1.2, 4.5), dist * 1.3, high)
            table.append(lamp_row(second, aim, rng.uniform(0.2, 0.7), tint, 120, (25, 60)))
        return table, 0.045
    if mode == "night_low":
        dist, high = rng.uniform(1200, 3200), rng.uniform(350, 1300)
        return [lamp_row(at(az, dist, high), aim, 1.0, tint, rng.uniform(30, 110), (30, 75))], 0.07
    if mode == "headlights":
        dist = rng.uniform(4500, 9000)
        pair = [at(az, dist, 680, side) for side in (-700.0, 700.0)]
        return [lamp_row(q, aim, 0.55 * rng.uniform(2.2, 3.2), tint, 70, (9, 24)) for q in pair], 0.10
    # the phone's own light or a head lamp
    own = eye + rng.normal(0, 1, 3) * (18 if rng.random() < 0.5 else 220)
    colour = COOL if rng.random() < 0.6 else NEUTRAL
    return [lamp_row(own, aim, 1.0, colour, rng.uniform(4, 25), (28, 62))], 0.05


def lighting(rng: Rng, mode: str, centre: Array, reach: float, eye: Array, shadows: bool) -> Lighting:
    """Light of a given mode around a point; `eye` is where the camera stands."""
    c3 = vec(centre[0], centre[1], 0.0)
    az = rng.uniform(0, 2 * np.pi)
    lean = az + rng.normal(0, 0.6)
    slant = vec(np.cos(lean), np.sin(lean), 0.3) * rng.uniform(0.25, 0.75)
    if mode in ("sun", "low_sun"):
        return _sunlight(rng, mode, az, slant, centre, reach, shadows)
    if mode in SKIES:
        return _skylight(rng, mode, az, slant)
    tint = [WARM, COOL, NEUTRAL, SODIUM][int(rng.choice(4, p=[0.3, 0.35, 0.25, 0.1]))] * rng.uniform(0.95, 1.05, 3)
    aim = c3 + vec(*rng.uniform(-0.35, 0.35, 2), 0) * reach
    table, stray = _lamps(rng, mode, az, tint, aim, c3, eye)
    caps: list[Array] = []
    if shadows:
        lamp = table[0][1:3]
        hit = centre + rng.uniform(-0.8, 0.8, 2) * reach
        foot = hit + (lamp - hit) * rng.uniform(0.35, 0.7)
        if np.linalg.norm(foot - eye[:2]) > 500:
            caps += _person(rng, foot, az)[: int(rng.integers(1, 5))]
    amb = stray * rng.uniform(0.7, 1.6) * (0.5 * tint + 0.5)
    return Lighting(Light(np.array(table), amb, 2.0 * amb, slant, np.array(caps).reshape(-1, 7)), mode, 0.02)


# ---- cameras ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Phone:
    """A phone's make as EXIF tells it, its picture, its lens."""

    make: str
    model: str
    lens: str
    width: int
    height: int
    focal35: float  # by the diagonal
    fnumber: float
    k1: float
    k2: float
    cx: float
    cy: float

    @property
    def f_mm(self) -> float:
        """Real focal length of the lens."""
        return {"main": 5.6, "wide": 2.2, "tele": 8.0}[self.lens]

    @property
    def aperture_px(self) -> float:
        """Diameter of the blur disc in pixels per unit of defocus (1/mm)."""
        diagonal = self.f_mm * float(np.hypot(36, 24)) / self.focal35
        pitch = diagonal / float(np.hypot(self.width, self.height))
        return self.f_mm**2 / self.fnumber / pitch

    @property
    def f_px(self) -> float:
        """Focal length in pixels."""
        return float(self.focal35 * np.hypot(self.width, self.height) / np.hypot(36, 24))


SENSORS = [
    (4032, 3024, 0.34),
    (4000, 3000, 0.14),
    (4624, 3468, 0.10),
    (3264, 2448, 0.13),
    (4000, 2250, 0.09),
    (4032, 2268, 0.06),
    (3648, 2736, 0.06),
    (2048, 1536, 0.04),
    (1920, 1080, 0.02),
    (1600, 1200, 0.02),
]
SMALL = [(2048, 1536), (1600, 1200), (1920, 1440), (1920, 1080)]
MAKES = [
    ("Pellucid", ("Orb 4", "Orb 5 Pro", "Orb Mini")),
    ("Halvard", ("H11", "H12s")),
    ("Kestrel Mobile", ("KM-210", "KM-340")),
    ("Tindra", ("Note 8", "Lumen 3")),
]


def phone(rng: Rng, lens: str = "", small: bool = False) -> Phone:
    """A phone: main lens mostly, sometimes the wide or the long one."""
    if not lens:
        lens = str(rng.choice(["main", "wide", "tele"], p=[0.82, 0.09, 0.09]))
    if small:
        w, h = SMALL[int(rng.integers(len(SMALL)))]
    else:
        w, h, _ = SENSORS[int(rng.choice(len(SENSORS), p=[s[2] for s in SENSORS]))]
    make, models = MAKES[int(rng.integers(len(MAKES)))]
    focal = {"main": rng.uniform(22.6, 28.5), "wide": rng.uniform(13.2, 16.5), "tele": rng.uniform(47, 57)}[lens]
    k1 = {"main": rng.normal(0, 0.010), "wide": rng.uniform(-0.045, 0.045), "tele": rng.normal(0, 0.006)}[lens]
    k2 = rng.normal(0, 0.005) if lens != "wide" else -0.35 * k1 + rng.normal(0, 0.008)
    return Phone(
        make,
        str(rng.choice(models)),
        lens,
        w,
        h,
        float(focal),
        {"main": 1.8, "wide": 2.2, "tele": 2.8}[lens],
        float(k1),
        float(k2),
        (w - 1) / 2 + float(rng.normal(0, 0.004)) * w,
        (h - 1) / 2 + float(rng.normal(0, 0.004)) * h,
    )


def camera(
    p: Phone, eye: Array, target: Array, roll_deg: float, portrait: bool, sway: tuple[float, float] = (0.0, 0.0)
) -> Camera:
    """The phone held at `eye`, looking at `target`, turned by `roll_deg` about its line of sight."""
    z = target - eye
    z = z / np.linalg.norm(z)
    up = vec(0, 0, 1) if abs(z[2]) < 0.985 else vec(target[0] - eye[0] + 1e-3, target[1] - eye[1] + 1e-3, 0)
    x = np.cross(z, up)
    x /= np.linalg.norm(x)
    y = np.cross(z, x)
    a = np.radians(roll_deg)
    x, y = np.cos(a) * x + np.sin(a) * y, -np.sin(a) * x + np.cos(a) * y
    w, h, cx, cy = (p.height, p.width, p.cy, p.cx) if portrait else (p.width, p.height, p.cx, p.cy)
    return Camera(w, h, p.f_px, cx, cy, p.k1, p.k2, np.array([x, y, z]), eye.astype(float), *sway)


def capture(rng: Rng, brightness: float, hard: bool, megapixels: float, f_px: float) -> Capture:
    """An exposure for the light there is; `hard` adds shake, misfocus or noise."""
    iso = {True: 50, False: 100}[brightness > 0.8] * 2.0 ** rng.uniform(0, 1.2)
    if brightness < 0.15:
        iso = 250 * 2.0 ** rng.uniform(0, 2.6)
    iso = float(np.clip(iso, 32, 3200))
    fine = np.sqrt(megapixels / 12.0)
    well = float(np.clip(9000.0 * 50 / iso, 120, 9000)) * rng.uniform(0.7, 1.3) / max(fine, 0.5)
    motion, defocus = abs(rng.normal(0, 0.5)), abs(rng.normal(0, 0.35))
    if brightness < 0.15:
        motion += abs(rng.normal(0, 0.5))
    if hard:
        motion, defocus = motion + rng.uniform(0, 2.6), defocus + rng.uniform(0, 1.2)
    return Capture(
        sigma=rng.uniform(0.50, 0.75),
        defocus=float(defocus) * fine,
        motion=float(motion) * fine,
        motion_angle=rng.uniform(0, np.pi),
        motion_bend=rng.uniform(-0.3, 0.3),
        fringe_red=rng.normal(0, 6e-5),
        fringe_blue=rng.normal(0, 9e-5),
        vignette=rng.uniform(0.05, 0.30),
        well=well,
        read=rng.uniform(1.5, 4.0),
        ev=rng.normal(0.0, 0.22) + (rng.uniform(-0.6, 0.5) if hard else 0),
        iso=round(iso),
        exposure_s=float(np.clip(0.0008 / brightness, 0.0005, 0.05)),
        balance=tuple(1 + rng.normal(0, 0.035, 3)),
        awb=rng.uniform(0.45, 0.95),
        focus_error=rng.normal(0, 0.06),
        denoise=float(np.clip(rng.uniform(0.1, 0.45) + 0.25 * (iso > 600), 0, 0.9)),
        sharpen=rng.uniform(0.15, 0.85),
        sharpen_radius=rng.uniform(0.8, 1.5),
        contrast=rng.uniform(0.15, 0.65),
        local=rng.uniform(0.0, 0.35),
        saturation=rng.uniform(0.95, 1.2),
        quality=int(rng.integers(78, 95)),
        smear=rng.uniform(0.0, 0.03) + (rng.uniform(0, 0.05) if hard else 0),
    )


def no_channel() -> Channel:
    """No slot at all."""
    z = np.zeros(2)
    return Channel(
        0,
        0.0,
        0.0,
        1.0,
        0.0,
        0.0,
        1.0,
        z,
        z,
        z,
        z,
        1.0,
        0.0,
        0.0,
        1.0,
        0.0,
        vec(0, 0, 0),
        vec(0, 0, 0),
        0.0,
        0.0,
        0.0,
        1,
        0.0,
        z,
        z,
        z,
        z,
        0.0,
        vec(0, 0, 0),
        0,
        0.0,
        vec(0, 0, 0),
        0,
        0.0,
        0.0,
        0.0,
    )
