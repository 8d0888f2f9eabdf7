"""The correction of an infrared reading, held to the identity and to an independent integral."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad

from dtfexp.maths.physics.infrared import BAND, true_temperature

# Radiometric identity (classical, no single source, from memory) with Planck's law over 8-14 µm;
# recomputed by quadrature, none was published. read, set to, emissivity, mirrored -> true, °C
WORKED = [
    (150, 0.95, 0.85, 25, 160.6738),
    (150, 1.0, 0.95, 25, 154.8278),
    (150, 0.95, 0.30, 25, 308.309),
]


@pytest.mark.parametrize(("read", "set_to", "emissivity", "mirrored", "true"), WORKED)
def test_worked_corrections(read, set_to, emissivity, mirrored, true) -> None:
    found = true_temperature(read, emissivity, set_to=set_to, reflected=mirrored)
    assert found == pytest.approx(true, abs=6e-4)


def planck(celsius: float) -> float:
    kelvin = celsius + 273.15
    value, _ = quad(
        lambda w: w**-5 / math.expm1(14387.76877 / (w * kelvin)), BAND[0] * 1e6, BAND[1] * 1e6
    )
    return value


def test_the_identity_holds_at_what_comes_back() -> None:
    rng = np.random.default_rng(1)
    for _ in range(20):
        read, mirrored = rng.uniform(60, 220), rng.uniform(10, 40)
        e, set_to = rng.uniform(0.3, 1, size=2)
        true = true_temperature(read, e, set_to=set_to, reflected=mirrored)
        left = set_to * planck(read) + (1 - set_to) * planck(mirrored)
        right = e * planck(true) + (1 - e) * planck(mirrored)
        assert left == pytest.approx(right, rel=1e-8)
        # Turned round, it gives the reading.
        again = true_temperature(true, set_to, set_to=e, reflected=mirrored)
        assert again == pytest.approx(read)


def test_the_right_emissivity_changes_nothing() -> None:
    assert true_temperature(160, 0.9, set_to=0.9) == pytest.approx(160, abs=1e-8)


def test_a_shiny_platen_reads_far_too_cold() -> None:
    # Bare shiny metal, emissivity 0.1: the gun of a 160 °C platen says well under 80 °C.
    assert true_temperature(160, 0.95, set_to=0.1, reflected=25) < 80


@pytest.mark.parametrize(
    "call",
    [
        lambda: true_temperature(150, 0),
        lambda: true_temperature(150, 1.1),
        lambda: true_temperature(150, 0.9, set_to=0),
        lambda: true_temperature(float("nan"), 0.9),
        lambda: true_temperature(5, 0.05, set_to=1, reflected=80),
    ],
)
def test_what_no_surface_gives_is_refused(call) -> None:
    with pytest.raises(ValueError, match=r"lies|belongs to no surface"):
        call()
