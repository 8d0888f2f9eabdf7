"""Where the window of a fabric may lie: the largest boxes of maps drawn from the posterior."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtri

from dtfexp.dialin.encode import grid as grids
from dtfexp.dialin.fit import Fit
from dtfexp.maths.acquisition import probit_margin
from dtfexp.maths.boxes.box import largest_box
from dtfexp.maths.inference.posterior import Posterior

Array = NDArray[np.float64]

MAP_DRAWS = 48
#: How often the grid closes in on where drawn windows lie, by how many cells and drawn maps.
ZOOM_STEPS, ZOOM_CELLS, ZOOM_DRAWS = 2, 400, 16
#: Cells in fewer of the drawn windows than this share of the most frequent do not count.
RARE_SHARE = 0.1
#: Candidates are drawn over the cells that lie in this share of them.
REGION_SHARE = 0.2


@dataclass(frozen=True)
class LikelyWindow:
    """Cells of one fabric with what is known and expected of each.

    chance (E,): that it meets the rate today; expected (E,): pass rate of a new press; weight (E,):
    how often it lies in the largest box of a drawn map; margin, between_variance (E,): mean over
    the required rate on the probit scale, and the variance that the scales alone make; sizes: of
    the drawn boxes, in multiples of spread, zero where a map had none.
    """

    frame: pd.DataFrame
    chance: Array
    expected: Array
    weight: Array
    margin: Array
    between_variance: Array
    sizes: Array

    def that_count(self) -> LikelyWindow:
        """Return the cells with any weight: about a quarter of all."""
        rows = np.flatnonzero(self.weight)
        cells = ("chance", "expected", "weight", "margin", "between_variance")
        return replace(
            self,
            frame=self.frame.iloc[rows].reset_index(drop=True),
            **{name: getattr(self, name)[rows] for name in cells},
        )

    def known_share(self, pass_rate: float) -> float:
        """Return the share of the likely window whose expected pass rate is that high today."""
        return float(self.weight @ (self.expected >= pass_rate) / self.weight.sum())

    def has_good_place(self, pass_rate: float) -> bool:
        """Whether a new press is expected to pass so often anywhere."""
        return bool(self.expected.max() >= pass_rate)

    def candidate_region(self) -> pd.DataFrame:
        """Return the cells that may belong to the window: where candidates are drawn."""
        likely: pd.DataFrame = self.frame[self.weight >= REGION_SHARE * self.weight.max()]
        return likely


def likely_window(
    fitted: Fit, post: Posterior, fabric: str, pass_rate: float, budget: int
) -> LikelyWindow:
    """Look over the whole range first, then more closely where drawn windows lie.

    METHODS.md, section 9.
    """
    words = grids.word_choices(fitted.session, fabric)
    each = max(budget // len(words), 300)
    # Where to look closely is seen at one set of scales.
    central = replace(fitted, posterior=post)
    parts = []
    for choice in words:
        within: dict[str, tuple[float, float]] | None = None
        for _ in range(ZOOM_STEPS):
            grid = grids.grid(fitted.session, fabric, choice, min(each, ZOOM_CELLS), within)
            coarse = _box_frequencies(central, post, fabric, grid, pass_rate, ZOOM_DRAWS)
            narrower = _zoom_range(grid, coarse.weight)
            if narrower is None:
                break
            within = narrower
        grid = grids.grid(fitted.session, fabric, choice, each, within)
        parts.append(_box_frequencies(fitted, post, fabric, grid, pass_rate, MAP_DRAWS))
    return _concatenated(parts)


def _box_frequencies(
    fitted: Fit, post: Posterior, fabric: str, grid: grids.Grid, pass_rate: float, draws: int
) -> LikelyWindow:
    frame = grid.frame()
    passing = fitted.pass_posterior(frame, fabric)
    allowed = fitted.session.permits(frame, fabric)
    middle, stays = passing.mean_and_between_variance()
    margin = middle - ndtri(pass_rate)
    index = np.full(len(frame), fitted.coding.fabric_index(fabric))
    cov = probit_margin.covariance(post, fitted.coding.points(frame, index))
    maps = probit_margin.draw_margins(margin, cov, stays, draws)
    units = [grids.width_unit(f) for f in grid.factors]
    weight, sizes = np.zeros(grid.shape), np.zeros(draws)
    for k, map_ in enumerate(maps):
        good = ((map_ >= 0) & allowed).reshape(grid.shape)
        box = largest_box(good, list(grid.axes), units) if grid.axes and good.any() else None
        if box is not None:
            weight[tuple(slice(lo, hi + 1) for lo, hi in zip(box.lo, box.hi, strict=True))] += 1
            sizes[k] = box.size
    flat = weight.ravel() / draws
    if not flat.any():
        # No map has a good place: where it is most likely to turn up.
        flat = allowed * np.exp(margin - margin.max())
    return LikelyWindow(
        frame,
        allowed * passing.chance_at_least(pass_rate),
        allowed * passing.expected(),
        flat,
        margin,
        stays,
        sizes,
    )


def _zoom_range(grid: grids.Grid, weight: Array) -> dict[str, tuple[float, float]] | None:
    """Ranges that hold the cells which count, one cell more on each side; None: no narrower."""
    shaped = (weight >= RARE_SHARE * weight.max()).reshape(grid.shape)
    within, narrower = {}, False
    for a, (factor, axis) in enumerate(zip(grid.factors, grid.axes, strict=True)):
        others = tuple(i for i in range(shaped.ndim) if i != a)
        held = np.flatnonzero(shaped.any(axis=others))
        lo, hi = max(held[0] - 1, 0), min(held[-1] + 1, len(axis) - 1)
        narrower |= hi - lo + 1 < len(axis)
        within[factor.name] = (float(axis[lo]), float(axis[hi]))
    return within if narrower else None


def _concatenated(parts: list[LikelyWindow]) -> LikelyWindow:
    if len(parts) == 1:
        return parts[0]
    weight = [_share_of_maps(part, parts) for part in parts]

    def together(name: str) -> Array:
        return np.concatenate([getattr(part, name) for part in parts])

    return LikelyWindow(
        pd.concat([p.frame for p in parts], ignore_index=True),
        together("chance"),
        together("expected"),
        np.concatenate(weight),
        together("margin"),
        together("between_variance"),
        together("sizes"),
    )


def _share_of_maps(part: LikelyWindow, parts: list[LikelyWindow]) -> Array:
    """Return the weights of one choice of words beside the others.

    None where no map has a good place while another choice has one; where none has, all on one
    scale.
    """
    if any(other.sizes.any() for other in parts):
        return part.weight if part.sizes.any() else np.zeros_like(part.weight)
    best = max(float(other.margin.max()) for other in parts)
    return np.asarray(part.weight * np.exp(part.margin.max() - best))
