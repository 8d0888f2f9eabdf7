"""Correction of an infrared gun's reading for the surface's emissivity.

A gun sees the radiance of the surface, a share ``emissivity``, and the mirror image of the
surroundings, the rest. With the emissivity it was set to, it computes one temperature:

    e_set f(T_read) + (1 - e_set) f(T_refl) = e f(T) + (1 - e) f(T_refl)

where f is the radiance in the instrument's band (radiometric identity, classical; from memory). The
fourth power of the temperature approximates f only near e = 1: at e = 0.85 it is 1.6 °C wrong, at
0.30 42 °C. So f is Planck's law over 8 to 14 µm, the usual band.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

#: The band of the usual gun, metres.
BAND = (8e-6, 14e-6)
#: Planck's second radiation constant h c / k, metre kelvin (exact by the SI of 2019, rounded).
_C2 = 0.01438776877
_KELVIN = 273.15
_COLDEST, _HOTTEST = -100.0, 1500.0


def true_temperature(
    reading: float, emissivity: float, *, set_to: float = 0.95, reflected: float = 25.0
) -> float:
    """Return the surface's temperature (°C) behind a gun's ``reading`` (°C).

    ``emissivity`` is the surface's, ``set_to`` the gun's, ``reflected`` (°C) what the surface
    mirrors, mostly the room. Raises ``ValueError`` for an emissivity not above 0 and up to 1, a
    temperature outside -100 … 1,500 °C, and a reading that no surface can give.
    """
    _check_share(emissivity, "the surface's emissivity")
    _check_share(set_to, "the gun's emissivity")
    _check_heat(reading, "the reading in °C")
    _check_heat(reflected, "the reflected temperature in °C")
    mirrored = radiance(reflected)
    seen = set_to * radiance(reading) + (1 - set_to) * mirrored
    own = (seen - (1 - emissivity) * mirrored) / emissivity
    if not radiance(_COLDEST) <= own <= radiance(_HOTTEST):
        raise ValueError(
            f"a reading of {reading:g} °C with emissivity {emissivity:g} and {reflected:g} °C "
            "mirrored belongs to no surface; check the emissivity"
        )
    return _inverse(own)


def radiance(celsius: float) -> float:
    """Return the radiance in the band at ``celsius``, in an arbitrary unit.

    Planck's law in x = c2/(wavelength T), by Gauss-Legendre quadrature with an error below one part
    in 10^10.
    """
    kelvin = celsius + _KELVIN
    nodes, weights = _nodes()
    wavelength = 0.5 * (BAND[1] + BAND[0]) + 0.5 * (BAND[1] - BAND[0]) * nodes
    shape = (BAND[0] / wavelength) ** 5 / np.expm1(_C2 / (wavelength * kelvin))
    return float(weights @ shape)


@lru_cache(maxsize=1)
def _nodes() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    nodes, weights = np.polynomial.legendre.leggauss(24)
    return nodes, weights


def _inverse(wanted: float) -> float:
    from scipy.optimize import brentq

    found = brentq(lambda t: radiance(t) - wanted, _COLDEST, _HOTTEST, xtol=1e-9, rtol=1e-14)
    return float(found)


def _check_share(value: float, what: str) -> None:
    if not 0 < value <= 1:
        raise ValueError(f"{what} is {value:g}; it lies above 0 and up to 1")


def _check_heat(value: float, what: str) -> None:
    if not _COLDEST <= value <= _HOTTEST:
        raise ValueError(f"{what} is {value:g}; it lies from {_COLDEST:g} to {_HOTTEST:g}")
