"""Maturity of a setting grout from its temperature: pure formulae.

- Temperature-time factor of Nurse and Saul: M = Σ (T - T0) Δt, no step below 0 (ASTM C1074, equation 1); over
  Tr - T0 it is the time at the reference temperature Tr that matures as much.
- Equivalent age by Arrhenius: te = Σ exp(-(Ea/R)(1/T - 1/Ts)) Δt, T and Ts in kelvins (ASTM C1074, equation 2).

C1074 is made for hydraulic cement. For a resin, whose own table of cure time against temperature is what counts, the
share of the cure that each moment brings is its length over the table's time at its temperature.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from models.materials import TimeAtTemperature

Array = NDArray[np.float64]

KELVIN_OF_0_DEGC = 273.15
GAS_CONSTANT = 8.314462618
"""R in J/(mol K) (CODATA 2018, exact)."""


def nurse_saul_rate(temperature_degc: Array, datum_degc: float, reference_degc: float) -> Array:
    """Equivalent time at the reference temperature that a unit of time brings, by Nurse and Saul.

    Raises:
        ValueError: the reference temperature is not above the datum temperature.
    """
    if reference_degc <= datum_degc:
        raise ValueError(
            f"the reference temperature {reference_degc:g} degC must lie above the datum {datum_degc:g} degC"
        )
    return np.asarray(np.maximum(temperature_degc - datum_degc, 0.0) / (reference_degc - datum_degc))


def arrhenius_rate(temperature_degc: Array, activation_energy_j_per_mol: float, reference_degc: float) -> Array:
    """Equivalent time at the reference temperature that a unit of time brings, by Arrhenius."""
    inverse = 1.0 / (np.asarray(temperature_degc) + KELVIN_OF_0_DEGC) - 1.0 / (reference_degc + KELVIN_OF_0_DEGC)
    return np.asarray(np.exp(-activation_energy_j_per_mol / GAS_CONSTANT * inverse))


def table_rate(temperature_degc: Array, table: Sequence[TimeAtTemperature]) -> Array:
    """Share of the whole cure that a minute brings, by a product's table read with straight lines.

    Colder than the first row nothing is known and nothing counts; warmer than the last, no more than there.
    """
    rows = sorted(table, key=lambda row: row.temperature_degc)
    known, time_min = (
        np.array(column) for column in zip(*((r.temperature_degc, r.time_min) for r in rows), strict=True)
    )
    temperature = np.asarray(temperature_degc, dtype=np.float64)
    return np.asarray(np.where(temperature < known[0], 0.0, 1.0 / np.interp(temperature, known, time_min)))
