"""Units: spelling, kinds and exact conversion."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dtfexp import SessionError
from dtfexp.describe.units import UNITS, canonical, convert, convert_difference, kind

# NIST Special Publication 811 (2008), Appendix B: t/°C = (t/°F - 32)/1.8, and factors of conversion
# as printed there; 1 bar = 100 kPa and t/°C = T/K - 273.15 also in the SI brochure (BIPM, 9th ed.,
# 2019). Written down from memory, not verified at the source. Where °C has no end in decimals it
# stands as ninths of a degree, worked from the formula.
TEMPERATURES = [
    (-459.67, -273.15), (-40, -40), (0, -160 / 9), (32, 0), (50, 10), (68, 20), (77, 25),
    (98.6, 37), (100, 340 / 9), (122, 50), (180, 740 / 9), (212, 100), (250, 1090 / 9),
    (257, 125), (300, 1340 / 9), (302, 150), (320, 160), (356, 180), (374, 190), (392, 200),
]  # fmt: skip
FACTORS = [
    ("psi", "kPa", 6.894757, 5e-7),
    ("bar", "kPa", 100, 0),
    ("psi", "bar", 0.06894757, 5e-9),
    ("min", "s", 60, 0),
    ("cm", "mm", 10, 0),
]


@pytest.mark.parametrize(("fahrenheit", "celsius"), TEMPERATURES)
def test_temperatures_of_the_published_table(fahrenheit, celsius):
    assert convert(fahrenheit, "°F", "°C") == pytest.approx(celsius, abs=1e-9)
    assert convert(celsius, "°C", "°F") == pytest.approx(fahrenheit, abs=1e-9)


@pytest.mark.parametrize(("source", "target", "factor", "half_digit"), FACTORS)
def test_factors_of_the_published_table(source, target, factor, half_digit):
    assert convert(1.0, source, target) == pytest.approx(factor, abs=half_digit + 1e-12)
    assert convert(factor, target, source) == pytest.approx(1.0, abs=half_digit / factor + 1e-12)
    assert convert_difference(1.0, source, target) == convert(1.0, source, target)


def test_psi_is_the_pound_on_an_inch():
    # 0.45359237 kg * 9.80665 m/s2 / (0.0254 m)^2, each exact by definition (SP 811, App. B).
    assert convert(1.0, "psi", "kPa") == pytest.approx(
        0.45359237 * 9.80665 / 0.0254**2 / 1000, rel=1e-12
    )


def test_a_difference_has_no_offset():
    assert convert_difference(5, "°C", "°F") == 9
    assert convert_difference(9, "F", "C") == 5
    assert convert_difference(3, "bar", "bar") == 3


def test_arrays_convert_cell_by_cell():
    got = convert(np.array([125.0, 160.0]), "C", "F")
    assert got.tolist() == [257.0, 320.0]
    assert convert_difference(np.array([5.0, 10.0]), "C", "F").tolist() == [9.0, 18.0]


@pytest.mark.parametrize(
    ("spelling", "unit"),
    [
        ("C", "°C"), ("degC", "°C"), ("deg C", "°C"), ("℃", "°C"), ("Celsius", "°C"),
        ("F", "°F"), ("℉", "°F"), ("º F", "°F"), ("degrees Fahrenheit", "°F"),
        ("sec.", "s"), ("Seconds", "s"), ("minutes", "min"), ("PSI", "psi"), ("KPA", "kPa"),
        ("percent", "%"), ("dE", "ΔE"), ("delta E", "ΔE"), ("∆E", "ΔE"), ("n / cm", "N/cm"),
        ("", ""), (" ", ""),
    ],
)  # fmt: skip
def test_aliases(spelling, unit):
    assert canonical(spelling) == unit


@pytest.mark.parametrize("unit", UNITS)
def test_every_canonical_unit_is_its_own_alias(unit):
    assert canonical(unit) == unit
    assert convert(3.0, unit, unit) == 3.0


@pytest.mark.parametrize("unit", ["K", "furlong", "m", "°", 5, None, "°C\n°F"])
def test_an_unknown_unit_names_what_is_known(unit):
    with pytest.raises(SessionError, match="°C, °F, s, min") as caught:
        canonical(unit)
    assert repr(unit) in str(caught.value)


def test_kinds_do_not_mix():
    assert kind("F") == "temperature"
    assert kind("") == "number"
    with pytest.raises(SessionError, match="cannot convert °F to s"):
        convert(300, "F", "s")
    with pytest.raises(SessionError, match="a plain number"):
        convert_difference(300, "", "°C")


@given(
    st.floats(-1e4, 1e4),
    st.sampled_from([("°C", "°F"), ("bar", "psi"), ("psi", "kPa"), ("s", "min")]),
)
def test_there_and_back(value, pair):
    there, back = pair
    assert convert(convert(value, there, back), back, there) == pytest.approx(value, abs=1e-9)


def test_conveyor_speeds_convert_by_the_inch():
    # 1 in = 25.4 mm and 1 ft = 12 in by definition.
    assert convert(1, "ft/min", "in/min") == pytest.approx(12)
    assert convert(39.37007874, "ipm", "m/min") == pytest.approx(1)
    assert kind("fpm") == "speed" and canonical("metres / min") == "m/min"
    with pytest.raises(SessionError, match="one is a speed, the other a time"):
        convert(1, "m/min", "s")
