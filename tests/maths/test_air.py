"""The air of the room, held to published figures."""

from __future__ import annotations

import pytest

from dtfexp.maths.physics import air

# IAPWS (1997), Industrial Formulation 1997 (IF97), table 36 (equation 31): K by MPa.
IF97 = {0.1: 372.755919, 1.0: 453.035632, 10.0: 584.149488}

# NOAA, NASA and USAF (1976), U.S. Standard Atmosphere, troposphere: Pa by geopotential metres,
# written down from memory.
STANDARD = {
    0: 101_325.0, 500: 95_460.8, 1000: 89_874.6, 1500: 84_556.0, 2000: 79_495.2, 3000: 70_108.5,
}  # fmt: skip

# Recomputed, not published: the two sources above combined. °C by metres; 1,609.344 m is a mile.
BOILING = {
    0: 99.9743, 500: 98.3125, 1000: 96.6488, 1500: 94.983, 1609.344: 94.6184, 2000: 93.3151,
    3000: 89.9723,
}  # fmt: skip

# WMO (2008), Guide to Meteorological Instruments and Methods of Observation, WMO-No. 8, annex 4.B:
# formula and coefficients; the worked values are recomputed, not published.
# air °C, humidity % -> saturation hPa, dew point °C, g of water per m³ (None: not worked out)
MAGNUS = {
    (20, 50): (23.32596, 9.25517, 8.62081),
    (25, 50): (31.60057, 13.85158, 11.48308),
    (25, 60): (None, 16.69315, 13.7797),
    (30, 80): (None, 26.16885, 24.20936),
}


@pytest.mark.parametrize(("megapascals", "kelvin"), IF97.items())
def test_boiling_points_of_the_steam_tables(megapascals: float, kelvin: float) -> None:
    assert air.boiling_point(megapascals * 1e6) + 273.15 == pytest.approx(kelvin, abs=5e-7)


@pytest.mark.parametrize(("metres", "pascals"), STANDARD.items())
def test_pressure_of_the_standard_atmosphere(metres: float, pascals: float) -> None:
    assert air.pressure_at(metres) == pytest.approx(pascals, abs=0.06)


@pytest.mark.parametrize(("metres", "celsius"), BOILING.items())
def test_water_boils_cooler_up_the_hill(metres: float, celsius: float) -> None:
    assert air.boiling_point(air.pressure_at(metres)) == pytest.approx(celsius, abs=6e-5)


@pytest.mark.parametrize(("room", "worked"), MAGNUS.items())
def test_moisture_of_the_room(room, worked) -> None:
    saturation, dew_point, grams = worked
    if saturation is not None:
        assert air.vapour_pressure(room[0]) == pytest.approx(saturation, abs=6e-6)
    assert air.dew_point(*room) == pytest.approx(dew_point, abs=6e-6)
    assert air.moisture(*room) == pytest.approx(grams, abs=6e-6)


def test_full_air_has_its_dew_point_at_its_temperature() -> None:
    for celsius in (-20.0, 0.0, 18.5, 40.0):
        assert air.dew_point(celsius, 100) == pytest.approx(celsius, abs=1e-9)


@pytest.mark.parametrize(
    "call",
    [
        lambda: air.dew_point(20, 0),
        lambda: air.dew_point(20, 101),
        lambda: air.dew_point(120, 50),
        lambda: air.dew_point(float("nan"), 50),
        lambda: air.moisture(20, -1),
        lambda: air.pressure_at(12_000),
        lambda: air.boiling_point(0.0),
    ],
)
def test_what_no_room_has_is_refused(call) -> None:
    with pytest.raises(ValueError, match="lies "):
        call()
