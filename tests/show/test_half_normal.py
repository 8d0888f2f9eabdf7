"""The half-normal drawing: one dot for each effect, names for those that stand out."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from dtfexp.maths.linear.variance_components import half_normal
from dtfexp.show.figures.figures import half_normal_plot


def effects(sizes: list[float], margin: float) -> pd.DataFrame:
    terms = [f"setting {k}" for k in range(len(sizes))]
    return pd.DataFrame({"term": terms, "stratum": "press", "effect": sizes, "margin": margin})


def test_every_effect_is_a_dot_and_those_that_stand_out_are_named() -> None:
    sizes = [0.2, -4.0, 0.1, 0.3, 2.5, -0.4]
    table = pd.concat([effects(sizes, 2.0), effects([9.0], 2.0).assign(stratum="oven load")])
    own = Figure().add_subplot()
    ax = half_normal_plot(table, ax=own)
    assert ax is own
    dots = np.asarray(ax.collections[0].get_offsets())
    np.testing.assert_allclose(dots[:, 1], [0.05, 0.1, 0.15, 0.2, 1.25, 2.0])
    np.testing.assert_allclose(dots[:, 0], half_normal(6))
    assert [text.get_text() for text in ax.texts] == ["setting 4", "setting 1"]


def test_without_a_margin_it_says_so() -> None:
    ax = half_normal_plot(effects([1.0, 2.0], float("nan")))
    assert "two-level plan" in ax.texts[0].get_text()
