"""Numbers and limits as people write them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.measurement import BudgetLine, Estimate, Limits, Quantity
from models.units import Dimension, UnitSystem
from models.wording import estimate_shown, limits_as_text, limits_shown, rounded


@pytest.mark.parametrize(
    ("value", "uncertainty", "written"),
    [
        # JCGM 100:2008, 7.2.6: at most two significant digits of the uncertainty, the value to the same place.
        (76.2149, 0.1, ("76.21", "0.10")),
        (90.01234, 0.0637, ("90.012", "0.064")),
        (1750.4, 12.3, ("1750", "12")),
        (1750.4, 123.0, ("1750", "123")),
        (3.14159, 0.0996, ("3.14", "0.10")),
        (0.0, 0.00012, ("0.00000", "0.00012")),
    ],
)
def test_digits_that_mean_something(value: float, uncertainty: float, written: tuple[str, str]) -> None:
    assert rounded(value, uncertainty) == written


@given(st.floats(-1e4, 1e4), st.floats(1e-6, 1e3))
def test_rounding_moves_nothing_by_more_than_a_twentieth_of_u(value: float, uncertainty: float) -> None:
    written, u = rounded(value, uncertainty)
    assert abs(float(written) - value) <= uncertainty / 19 + 1e-9
    assert float(u) == pytest.approx(uncertainty, rel=0.051)


@pytest.mark.parametrize(
    ("limits", "text"),
    [
        (Limits(75.0, 79.0), "75 to 79 mm"),
        (Limits(None, 3.0), "at most 3 mm"),
        (Limits(1500.0, None), "at least 1500 mm"),
        (Limits(None, None), ""),
    ],
)
def test_limits_in_words(limits: Limits, text: str) -> None:
    assert limits_as_text(limits, "mm") == text


@pytest.mark.parametrize(
    ("quantity", "value", "uncertainty", "system", "written"),
    [
        # 1 in = 25.4 mm, 1 degF = 5/9 K (NIST SP 811, appendix B); digits as above.
        (Quantity.SLOT_WIDTH, 76.2, 0.22, "si", "76.20 ± 0.22 mm"),
        (Quantity.SLOT_WIDTH, 76.2, 0.22, "us", "3.0000 ± 0.0087 in"),
        (Quantity.SLOT_WIDTH, 76.2, 0.22, "both", "76.20 ± 0.22 mm (3.0000 ± 0.0087 in)"),
        (Quantity.SQUARENESS, 90.0, 0.052, "both", "90.000 ± 0.052 deg"),
        (Quantity.PAVEMENT_TEMPERATURE, 10.0, 0.6, "si", "10.00 ± 0.60 °C"),
        # A difference: 0.6 K are 1.08 degF, while 10 degC are 50 degF.
        (Quantity.PAVEMENT_TEMPERATURE, 10.0, 0.6, "us", "50.0 ± 1.1 °F"),
        (Quantity.INSULATION_RESISTANCE, 1.2e9, 7.2e7, "si", "1.2 Gohm ± 72 Mohm"),
        (Quantity.ZERO_SIGNAL, 0.0, 0.05, "si", "0.000 ± 0.050 mV"),
    ],
)
def test_values_in_the_units_that_a_project_chose(
    quantity: Quantity, value: float, uncertainty: float, system: str, written: str
) -> None:
    estimate = Estimate(quantity, value, (BudgetLine("all", uncertainty / 2.0),))
    assert estimate_shown(estimate, UnitSystem(system)) == written


@pytest.mark.parametrize(
    ("limits", "system", "text"),
    [
        (Limits(75.0, 79.0), "both", "75 to 79 mm (2.953 to 3.110 in)"),
        (Limits(1.5875, 6.35), "us", "0.0625 to 0.2500 in"),
        (Limits(None, 1.0), "us", "at most 0.039 in"),
        (Limits(500.0, 12_000.0), "si", "500 mm to 12 m"),
    ],
)
def test_limits_in_the_units_that_a_project_chose(limits: Limits, system: str, text: str) -> None:
    assert limits_shown(limits, Dimension.LENGTH, UnitSystem(system)) == text
