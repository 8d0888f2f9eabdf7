"""Units: spelling, kinds and exact conversion."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dtfexp import SessionError
from dtfexp.describe.units import UNITS, canonical, convert, convert_difference, kind

# Settings of the trade: common practice, no source. The conversion itself is exact by definition.
EXACT = [(125, 257), (160, 320), (190, 374), (100, 212), (-40, -40), (120, 248)]
# Practice quotes these as a round number in the other scale, so only the nearest degree agrees.
ROUNDED = [(149, 300), (131, 268)]


@pytest.mark.parametrize(("celsius", "fahrenheit"), EXACT)
def test_temperatures_of_the_trade_convert_exactly(celsius, fahrenheit):
    assert convert(celsius, "°C", "°F") == fahrenheit
    assert convert(fahrenheit, "°F", "°C") == celsius


@pytest.mark.parametrize(("celsius", "fahrenheit"), ROUNDED)
def test_rounded_temperatures_agree_to_the_degree(celsius, fahrenheit):
    assert round(convert(celsius, "°C", "°F")) == fahrenheit
    assert round(convert(fahrenheit, "°F", "°C")) == celsius


def test_a_difference_has_no_offset():
    assert convert_difference(5, "°C", "°F") == 9
    assert convert_difference(9, "F", "C") == 5
    assert convert_difference(1, "min", "s") == 60
    assert convert_difference(3, "bar", "bar") == 3


def test_pressure_and_time():
    assert convert(1, "bar", "kPa") == 100
    # 1 bar = 14.503773773 psi (from memory, follows from the definitions of pound and inch)
    assert convert(1, "bar", "psi") == pytest.approx(14.503773773, abs=1e-9)
    assert convert(90, "s", "min") == 1.5
    assert convert(2, "cm", "mm") == 20


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
