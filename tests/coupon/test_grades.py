"""Grades from measures, against the published tables."""

import math

import pytest

from dtfexp.coupon.grades import (
    GREY_SCALE,
    MISSING,
    band_grade,
    fastness_difference,
    grey_scale_grade,
)


@pytest.mark.parametrize(
    ("grade", "difference", "tolerance"),
    # ISO 105-A02:1993, grey scale for change in colour: CIELAB difference and its tolerance (a
    # text that quotes the table was seen; the standard was not at hand).
    [(5, 0, 0.2), (4.5, 0.8, 0.2), (4, 1.7, 0.3), (3.5, 2.5, 0.35), (3, 3.4, 0.4),
     (2.5, 4.8, 0.5), (2, 6.8, 0.6), (1.5, 9.6, 0.7), (1, 13.6, 1.0)],
)  # fmt: skip
def test_the_grey_scale_of_iso_105_a02(grade, difference, tolerance):
    assert grey_scale_grade(difference) == grade
    assert grey_scale_grade(difference + tolerance) == grade
    assert grey_scale_grade(max(0, difference - tolerance)) == grade
    # ISO 105-A05:1996, formula (from memory): full grades exactly, half grades within 0.03.
    formula = 5 - difference / 1.7 if difference <= 3.4 else 5 - math.log2(difference / 0.85)
    assert formula == pytest.approx(grade, abs=1e-9 if grade % 1 == 0 else 0.03)


def test_borders_of_iso_105_a05():
    # ISO 105-A05, table of ΔE_F (from memory): up to, not including -> grade.
    borders = (0.40, 1.25, 2.10, 2.95, 4.10, 5.80, 8.20, 11.60)
    for border, (above, _), (below, _) in zip(borders, GREY_SCALE, GREY_SCALE[1:], strict=False):
        assert grey_scale_grade(border - 1e-6) == above
        assert grey_scale_grade(border + 1e-6) == below
    assert grey_scale_grade(50) == 1


def test_a_grey_that_lightens_changes_by_its_lightness():
    assert fastness_difference((50, 0, 0), (53.4, 0, 0)) == pytest.approx(3.4)
    assert grey_scale_grade(fastness_difference((50, 0, 0), (53.4, 0, 0))) == 3
    assert fastness_difference((40, 20, 30), (40, 20, 30)) == 0


def test_the_formula_by_hand():
    """Every term worked out apart, for a pair away from the blue and one in it."""
    # Same hue 0°: ΔC = -10, C_M = 45, x = (80/30)², D = -10 * 45 * e^-7.111 / 100.
    shared = -10 * 45 * math.exp(-((80 / 30) ** 2)) / 100
    chroma = (-10 - shared) / (1 + 0.9**2)
    hue = (0 - shared) / (1 + 0.45**2)
    expected = math.sqrt(2**2 + chroma**2 + hue**2)
    assert fastness_difference((50, 50, 0), (52, 40, 0)) == pytest.approx(expected)
    # Hue 280°: x = 0 and D = -10 * 45 / 100 = -4.5.
    blue = [r * math.cos(math.radians(280)) for r in (50, 40)]
    blue_b = [r * math.sin(math.radians(280)) for r in (50, 40)]
    expected = math.hypot((-10 + 4.5) / (1 + 0.9**2), 4.5 / (1 + 0.45**2))
    found = fastness_difference((50, blue[0], blue_b[0]), (50, blue[1], blue_b[1]))
    assert found == pytest.approx(expected)
    # As much round it on both sides: ΔH = 2 √(50 · 40) sin 10°, from which D is taken too.
    turned = [(50, r * math.cos(math.radians(h)), r * math.sin(math.radians(h)))
              for r, h in ((50, 270), (40, 290))]  # fmt: skip
    hue = 2 * math.sqrt(50 * 40) * math.sin(math.radians(10))
    expected = math.hypot((-10 + 4.5) / (1 + 0.9**2), (hue + 4.5) / (1 + 0.45**2))
    assert fastness_difference(*turned) == pytest.approx(expected)


def test_mean_hue_goes_the_short_way_round():
    def pair(first, second):
        at = [(50, 30 * math.cos(math.radians(h)), 30 * math.sin(math.radians(h)))
              for h in (first, second)]  # fmt: skip
        return fastness_difference(*at)

    # Turned by equal angles on both sides of the axis a*: the same, whichever sign the angle has.
    assert pair(350, 10) == pytest.approx(pair(-10, 10)) == pytest.approx(pair(10, 350))
    chord = 2 * 30 * math.sin(math.radians(10))
    assert pair(350, 10) == pytest.approx(chord / (1 + 0.3**2))


def test_a_saturated_colour_counts_less_than_a_grey():
    grey = fastness_difference((50, 2, 0), (50, 8, 0))
    assert fastness_difference((50, 60, 0), (50, 66, 0)) < grey / 2


def test_bands_of_missing_print_are_whole_and_in_order():
    grades, borders = zip(*MISSING, strict=True)
    assert grades == (5, 4.5, 4, 3.5, 3, 2.5, 2, 1.5, 1)
    assert list(borders) == sorted(borders) and borders[-1] == math.inf
    for grade, most in MISSING[:-1]:
        assert band_grade(most) == grade > band_grade(most + 1e-6)
    assert (band_grade(0), band_grade(100)) == (5, 1)


def test_a_colour_without_chroma_has_the_hue_of_the_other():
    """White that takes on blue of 280°: ΔC = 40, C_M = 20, x = 0, D = 40 * 20 / 100 = 8."""
    blue = (50, 40 * math.cos(math.radians(280)), 40 * math.sin(math.radians(280)))
    expected = math.hypot((40 - 8) / (1 + 0.4**2), 8 / (1 + 0.2**2))
    assert fastness_difference((50, 0, 0), blue) == pytest.approx(expected)
    # Bleached to white: ΔC = -40, D = -8.
    assert fastness_difference(blue, (50, 0, 0)) == pytest.approx(expected)
