"""The air of a workshop: moisture, pressure at altitude, and the boiling point there."""

from __future__ import annotations

from math import exp, log, sqrt

#: Standard pressure at sea level in pascals, and what the standard atmosphere assumes of it.
STANDARD_PRESSURE = 101_325.0
_SEA_LEVEL_K, _LAPSE_K_PER_M, _EXPONENT = 288.15, 0.0065, 5.255880
#: Upper limit of the formula of ``pressure_at``, metres.
TROPOSPHERE = 11_000.0

# Magnus over water: hPa, none, °C (WMO 2008, Guide to Meteorological Instruments and Methods of
# Observation, WMO-No. 8, annex 4.B). Other sets of coefficients are in use.
_A, _B, _C = 6.112, 17.62, 243.12
#: Where those coefficients are given for, °C.
MAGNUS_RANGE = (-45.0, 60.0)

# Region 4 of IAPWS (1997), Industrial Formulation 1997, table 34: the saturation line of water.
_N = (
    0.11670521452767e4, -0.72421316703206e6, -0.17073846940092e2, 0.12020824702470e5,
    -0.32325550322333e7, 0.14915108613530e2, -0.48232657361591e4, 0.40511340542057e6,
    -0.23855557567849, 0.65017534844798e3,
)  # fmt: skip
_TRIPLE_PA, _CRITICAL_PA = 611.213, 22.064e6
_KELVIN = 273.15


def vapour_pressure(celsius: float) -> float:
    """Return the saturation pressure of water vapour at ``celsius``, in hPa; for rooms only.

    WMO (2008), annex 4.B. It is 2.4 % too high at 100 °C.
    """
    _check(celsius, *MAGNUS_RANGE, "air temperature in °C")
    return _A * exp(_B * celsius / (_C + celsius))


def dew_point(celsius: float, humidity: float) -> float:
    """Return the dew point (°C) of air at ``celsius`` and ``humidity`` (% relative).

    The same formula solved for the temperature. Raises ``ValueError`` outside -45 … 60 °C and 0 <
    humidity <= 100.
    """
    if not 0 < humidity <= 100:
        raise ValueError(f"relative humidity is {humidity:g}; it lies above 0 and up to 100 %")
    ratio = log(humidity / 100 * vapour_pressure(celsius) / _A)
    return _C * ratio / (_B - ratio)


def moisture(celsius: float, humidity: float) -> float:
    """Return grams of water vapour in a cubic metre of air (ideal gas, 461.5 J/(kg K))."""
    if not 0 <= humidity <= 100:
        raise ValueError(f"relative humidity is {humidity:g}; it lies from 0 to 100 %")
    pascals = humidity * vapour_pressure(celsius)  # % of hPa
    return 1000 * pascals / (461.5 * (celsius + _KELVIN))


def pressure_at(metres: float) -> float:
    """Return the air pressure (Pa) at an altitude of ``metres``, on a standard day.

    NOAA, NASA and USAF (1976), U.S. Standard Atmosphere, troposphere; ``metres`` are geopotential,
    which differ from the map's by 1 in 2,000 at 3,000 m. Weather changes it by a few per cent.
    Raises ``ValueError`` outside -500 … 11,000 m.
    """
    _check(metres, -500.0, TROPOSPHERE, "altitude in m")
    base: float = 1 - _LAPSE_K_PER_M * metres / _SEA_LEVEL_K
    return float(STANDARD_PRESSURE * base**_EXPONENT)


def boiling_point(pascals: float) -> float:
    """Return the boiling point of water (°C) under ``pascals``: IAPWS IF97, region 4, equation 31.

    Raises ``ValueError`` outside 611.213 Pa … 22.064 MPa.
    """
    _check(pascals, _TRIPLE_PA, _CRITICAL_PA, "pressure in Pa")
    n1, n2, n3, n4, n5, n6, n7, n8, n9, n10 = _N
    beta = sqrt(sqrt(pascals / 1e6))
    e = beta**2 + n3 * beta + n6
    f = n1 * beta**2 + n4 * beta + n7
    g = n2 * beta**2 + n5 * beta + n8
    d = 2 * g / (-f - sqrt(f**2 - 4 * e * g))
    kelvin: float = (n10 + d - sqrt((n10 + d) ** 2 - 4 * (n9 + n10 * d))) / 2
    return kelvin - _KELVIN


def _check(value: float, low: float, high: float, what: str) -> None:
    if not low <= value <= high:
        raise ValueError(f"{what} is {value:g}; it lies from {low:g} to {high:g}")
