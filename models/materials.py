"""The materials of a project: how much there is, and what the product's own sheet asks of mixing and curing."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from models.measurement import Limits


class MaterialKind(StrEnum):
    """What a material is for."""

    GROUT = "grout"
    SEALANT = "sealant"
    CLEANER = "cleaner"
    TAPE = "tape"
    PAINT = "paint"
    LEVELLING_AID = "levelling-aid"
    OTHER = "other"


class MixBasis(StrEnum):
    """By what the parts of a product are portioned."""

    MASS = "mass"
    VOLUME = "volume"


@dataclass(frozen=True)
class MixPart:
    """One part of a product and its share of the mix, as the product's sheet writes it (100 : 7)."""

    name: str
    share: float


@dataclass(frozen=True)
class TimeAtTemperature:
    """One row of a product's table: at this temperature it takes (or lasts) this long."""

    temperature_degc: float
    time_min: float


@dataclass(frozen=True)
class Material:
    """One product on site; what the plan leaves open is None, zero or empty."""

    id: str
    kind: MaterialKind
    product: str = ""
    batch: str = ""
    expires: date | None = None
    """Last day on which it may be used."""
    mass_g: float | None = None
    """How much of it is there, by mass."""
    volume_l: float | None = None
    """How much of it is there, by volume."""
    density_g_per_l: float | None = None
    """Of the mixed product."""
    waste_share: float = 0.0
    """What is lost in the pail and struck off, as a part of what the channel takes."""
    parts: tuple[MixPart, ...] = ()
    """The first is the one that the others are portioned to."""
    mix_basis: MixBasis | None = None
    ratio_tolerance: float | None = None
    """How far the ratio of a part to the first may be off, as a part of the ratio (0.05 is 5 %), either way."""
    mixing_time_min: Limits | None = None
    pot_life: tuple[TimeAtTemperature, ...] = ()
    """From the start of mixing until it can no longer be worked; temperatures rising."""
    cure: tuple[TimeAtTemperature, ...] = ()
    """From the end of the pour until it may be ground; temperatures rising."""
    cure_floor_min: float = 0.0
    """Never ground before this, however warm."""
    datum_temperature_degc: float | None = None
    """T0 of the temperature-time factor (ASTM C1074); for hydraulic cement."""
    activation_energy_j_per_mol: float | None = None
    """Ea of the equivalent age (ASTM C1074)."""
    reference_temperature_degc: float | None = None
    """Ts of the equivalent age (ASTM C1074)."""
    clause: str = ""
