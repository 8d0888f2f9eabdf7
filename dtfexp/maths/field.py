"""The prior of the latent quality: a Gaussian field over settings, fabrics and outcomes.

Latent values are in *grade units* above the acceptance cut: zero is just acceptable, one is a
fifth of a five-grade scale better.  The field is a sum (Durrande et al. 2012, J. Multivariate
Anal. 115:57, additive kernels; Rasmussen & Williams 2006, sec. 4.2 and 2.7 for the mean):

    f(x) = intercept + trade mean + one-factor parts + two-factor parts

Cure belongs to film and powder, so its parts are nearly shared by fabrics; press parts are
partially pooled.  Luck of loads, rounds and blocks is simply more covariance.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Ints = NDArray[np.int_]
Bools = NDArray[np.bool_]

CURE, PRESS, PEEL = 0, 1, 2


@dataclass(frozen=True)
class FieldShape:
    """What the field runs over.

    stage (d,) of CURE/PRESS/PEEL; word (d,) true where the column holds a category code;
    trade_off: pairs of columns (temperature, time) of one stage that add up to a dose;
    series (n_outcomes,): equal codes are one quality judged again, after more washes (empty: none).
    """

    stage: tuple[int, ...]
    word: tuple[bool, ...]
    trade_off: tuple[tuple[int, int], ...]
    n_outcomes: int
    series: tuple[int, ...] = ()


@dataclass(frozen=True)
class Prior:
    """Fixed constants of the prior, in grade units, each with its reason.

    They were chosen on simulated benches (``tests/bench``); none has a published source.
    """

    # The usual settings pass more often than not; some shops run far from a good place.
    intercept_mean: float = 0.7
    intercept_sd: float = 0.9
    # Lost at one half-range from the usual setting, and for hot AND long of one stage.
    fall: float = 1.6
    dose: float = 0.8
    # One setting alone: tilted, bent, and an edge anywhere.
    slope_sd: float = 0.7
    bend_sd: float = 0.6
    smooth_sd: float = 0.3
    # A peel method may be most of a grade better than another.
    word_sd: float = 0.8
    # Two settings together act less than each alone; cure with press less than within a stage.
    pair_slope_sd: float = 0.6
    pair_smooth_sd: float = 0.3
    across_stages: float = 0.5
    # Correlation of two fabrics: cure belongs to the film, press to the fabric.
    fabric_intercept: float = 0.5
    fabric_cure: float = 0.93
    fabric_press: float = 0.6
    # Of what two outcomes do not share anyway, the share that grades of one wash series do: a
    # later wash is judged on the same coupon, and what has come loose stays loose.
    wash_tie: float = 0.7
    # What one press does to all its outcomes at once, beside load and round.
    press_share_sd: float = 0.15
    # After a change (see Points.before): sd in codes of how far each column has moved (empty: none
    # has), and the correlation of the field with what it was, once moved.
    moves: tuple[float, ...] = ()
    kept: float = 1.0


@dataclass(frozen=True)
class Scales:
    """One set of scale parameters.

    amplitude multiplies trade mean and signal; length is the smoothness in half-ranges; interplay
    multiplies two-factor parts; load_sd, round_sd are luck in grades; alike is the correlation of
    the outcomes' fields; noise (n_outcomes,) is press noise in grades; ceiling is how far above
    the acceptance cut the best possible print is; shift (d,) is how much, in codes, every setting
    does more now than before a change (None: nothing has changed).
    """

    amplitude: float
    length: float
    interplay: float
    load_sd: float
    round_sd: float
    alike: float
    noise: Array
    ceiling: float = np.inf
    shift: Array | None = None


@dataclass(frozen=True)
class Points:
    """Settings where the field is wanted.

    nodes (n, d, q): codes of what the machines really do around each set-point (q = 1: exact);
    weights (q,) of the nodes; fabric (n,) index; before (n,): true for settings of before a change,
    which count as moved by ``Scales.shift`` (None: none is).  Columns that hold words repeat the
    code.
    """

    nodes: Array
    weights: Array
    fabric: Ints
    before: Bools | None = None

    @property
    def n(self) -> int:
        return int(self.nodes.shape[0])

    def take(self, index: Ints) -> Points:
        before = None if self.before is None else self.before[index]
        return Points(self.nodes[index], self.weights, self.fabric[index], before)

    def moved(self, scales: Scales) -> Points:
        """The same on today's settings: a bench that does more now than before reaches at a lower
        setting what it reached then."""
        if self.before is None or scales.shift is None:
            return self
        by = np.where(self.before[:, None], scales.shift[None, :], 0.0)
        return replace(self, nodes=self.nodes - by[:, :, None])

    @cached_property
    def levels(self) -> list[tuple[Ints, Ints]]:
        """For each column: where every distinct set-point first stands, and which one each row has.

        Settings sit on few levels: tables are worked out on these and spread out.
        """
        middle = self.nodes[:, :, self.nodes.shape[2] // 2]
        found = [np.unique(column, return_index=True, return_inverse=True) for column in middle.T]
        return [(first, at.reshape(-1)) for _, first, at in found]

    def middle(self) -> Array:
        """Middle of the nodes of every point, (n, d)."""
        return np.asarray(self.nodes @ self.weights)

    def sd(self) -> Array:
        """Standard deviation of the nodes of every point, (n, d)."""
        square = (self.nodes**2) @ self.weights
        return np.asarray(np.sqrt(np.maximum(square - self.middle() ** 2, 0.0)))


def trade_mean(points: Points, shape: FieldShape, scales: Scales, prior: Prior) -> Array:
    """Prior mean (n,): best near the usual settings, falling away on both sides.

    Averaged over the nodes.  Temperature and time of one stage add up to a dose, so being hot AND
    long is worse than hot and short (practice; no source).
    """
    points = points.moved(scales)
    mean = points.nodes @ points.weights
    square = (points.nodes**2) @ points.weights
    numeric = np.array([not w for w in shape.word], dtype=float)
    out = prior.intercept_mean - scales.amplitude * prior.fall * (square @ numeric)
    for i, j in shape.trade_off:
        out -= scales.amplitude * prior.dose * mean[:, i] * mean[:, j]
    return np.asarray(out)


def _column_tables(
    a: Array, wa: Array, b: Array, wb: Array, word: bool, scales: Scales, prior: Prior
) -> tuple[Array, Array]:
    """One-factor and pair-part covariance between nodes a (na, qa) and b (nb, qb), averaged."""
    if word:
        same = (a[:, None, 0] == b[None, :, 0]).astype(float)
        return prior.word_sd**2 * same, same
    mean_a, mean_b = a @ wa, b @ wb
    square_a, square_b = (a * a) @ wa, (b * b) @ wb
    gap = a[:, None, :, None] - b[None, :, None, :]
    smooth = np.exp(-0.5 * (gap / scales.length) ** 2) @ wb @ wa
    slope = np.multiply.outer(mean_a, mean_b)
    one = (
        prior.slope_sd**2 * slope
        + prior.bend_sd**2 * np.multiply.outer(square_a, square_b)
        + prior.smooth_sd**2 * smooth
    )
    pair = prior.pair_slope_sd * slope + prior.pair_smooth_sd * smooth
    return one, pair


def _diagonal_tables(
    a: Array, wa: Array, word: bool, scales: Scales, prior: Prior
) -> tuple[Array, Array]:
    """The same as :func:`_column_tables` at equal points, (na,)."""
    if word:
        return np.full(len(a), prior.word_sd**2), np.ones(len(a))
    mean, square = a @ wa, (a * a) @ wa
    gap = a[:, :, None] - a[:, None, :]
    smooth = np.exp(-0.5 * (gap / scales.length) ** 2) @ wa @ wa
    one = prior.slope_sd**2 * mean**2 + prior.bend_sd**2 * square**2 + prior.smooth_sd**2 * smooth
    return one, prior.pair_slope_sd * mean**2 + prior.pair_smooth_sd * smooth


@dataclass(frozen=True)
class _Parts:
    """Covariance parts of every column between points, gathered to full size, and the pooling.

    kept: correlation over a change, for points on either side of it.
    """

    ones: list[Array]
    pairs: list[Array]
    pair_sum: dict[int, Array]
    same_fabric: Array
    kept: Array | float = 1.0

    def pooled(self, rho: float) -> Array:
        return np.asarray(self.kept * (rho + (1.0 - rho) * self.same_fabric))


def _side(stage: int) -> int:
    return CURE if stage == CURE else PRESS


def _gathered(
    ones: list[Array],
    pairs: list[Array],
    same_fabric: Array,
    shape: FieldShape,
    kept: Array | float = 1.0,
) -> _Parts:
    zero = np.zeros_like(ones[0])
    pair_sum = {CURE: zero, PRESS: zero}
    for pair, stage in zip(pairs, shape.stage, strict=True):
        pair_sum[_side(stage)] = pair_sum[_side(stage)] + pair
    return _Parts(ones, pairs, pair_sum, same_fabric, kept)


def _assemble(parts: _Parts, shape: FieldShape, scales: Scales, prior: Prior) -> Array:
    """Sum of the parts with the pooling of fabrics; works on matrices and on diagonals alike."""
    side_sum = {}
    for side in (CURE, PRESS):
        total, square = np.zeros_like(parts.ones[0]), np.zeros_like(parts.ones[0])
        for one, pair, stage in zip(parts.ones, parts.pairs, shape.stage, strict=True):
            if _side(stage) == side:
                total += one
                square += pair * pair
        # Sum over pairs i<j of p_i p_j = ((sum p)^2 - sum p^2) / 2: one pass, no double loop.
        total += scales.interplay**2 * 0.5 * (parts.pair_sum[side] ** 2 - square)
        side_sum[side] = total
    across = (scales.interplay * prior.across_stages) ** 2
    side_sum[PRESS] += across * parts.pair_sum[CURE] * parts.pair_sum[PRESS]
    signal = side_sum[CURE] * parts.pooled(prior.fabric_cure)
    signal += side_sum[PRESS] * parts.pooled(prior.fabric_press)
    signal *= scales.amplitude**2
    return np.asarray(signal + prior.intercept_sd**2 * parts.pooled(prior.fabric_intercept))


def _kept(a: Points, b: Points, prior: Prior) -> Array | float:
    if prior.kept == 1.0 or (a.before is None and b.before is None):
        return 1.0
    of_a, of_b = (np.zeros(p.n, bool) if p.before is None else p.before for p in (a, b))
    return np.where(of_a[:, None] == of_b[None, :], 1.0, prior.kept)


def _cross_parts(a: Points, b: Points, shape: FieldShape, scales: Scales, prior: Prior) -> _Parts:
    a, b = a.moved(scales), b.moved(scales)
    ones, pairs = [], []
    for i, word in enumerate(shape.word):
        (first_a, at_a), (first_b, at_b) = a.levels[i], b.levels[i]
        one, pair = _column_tables(
            a.nodes[first_a, i, :],
            a.weights,
            b.nodes[first_b, i, :],
            b.weights,
            word,
            scales,
            prior,
        )
        ones.append(one[:, at_b][at_a])
        pairs.append(pair[:, at_b][at_a])
    if a.n and np.all(a.fabric == a.fabric[0]):
        same = (a.fabric[:1, None] == b.fabric[None, :]).astype(float)
    else:
        same = (a.fabric[:, None] == b.fabric[None, :]).astype(float)
    return _gathered(ones, pairs, same, shape, _kept(a, b, prior))


def covariance(a: Points, b: Points, shape: FieldShape, scales: Scales, prior: Prior) -> Array:
    """Prior covariance (n_a, n_b) of one outcome's field between two sets of points."""
    return _assemble(_cross_parts(a, b, shape, scales, prior), shape, scales, prior)


def covariance_and_wander(
    a: Points, b: Points, shape: FieldShape, scales: Scales, prior: Prior, weights: Array
) -> tuple[Array, Array]:
    """Covariance (n_a, n_b) and the variance (n_a, O) that the machine spread adds at ``a``.

    ``weights`` (n_b, O) are the posterior's prediction weights.  For each setting the posterior
    mean is compared one standard deviation of the spread to each side; only that column's parts
    change, so the rest is worked out once.
    """
    parts = _cross_parts(a, b, shape, scales, prior)
    a, b = a.moved(scales), b.moved(scales)
    gaps = _gaps(parts, a.middle(), a.sd(), a.levels, b, shape, scales, prior, weights)
    return _assemble(parts, shape, scales, prior), np.asarray((gaps**2).sum(axis=1))


def spread_gaps(
    a: Points, sd: Array, b: Points, shape: FieldShape, scales: Scales, prior: Prior, weights: Array
) -> Array:
    """What one sd of the machine spread in each setting does to the mean field, (n_a, d, O).

    sd (n_a, d) in codes, zero where nothing wanders; ``weights`` (n_b, O) as in
    :func:`covariance_and_wander`.
    """
    parts = _cross_parts(a, b, shape, scales, prior)
    a, b = a.moved(scales), b.moved(scales)
    # Of two rows at one setting one may have been read off: every row is a level of its own.
    rows = np.arange(a.n)
    levels = [(rows, rows)] * len(shape.word)
    return _gaps(parts, a.middle(), sd, levels, b, shape, scales, prior, weights)


def _gaps(
    parts: _Parts,
    centre: Array,
    all_sd: Array,
    levels: list[tuple[Ints, Ints]],
    b: Points,
    shape: FieldShape,
    scales: Scales,
    prior: Prior,
    weights: Array,
) -> Array:
    """Half the change (n_a, d, O) of the posterior mean from one sd below to one above.

    levels: for each column, rows that stand for all of equal centre and sd, as ``Points.levels``.
    """
    out = np.zeros((*centre.shape, weights.shape[1]))
    weight = scales.interplay**2
    for i, (word, stage) in enumerate(zip(shape.word, shape.stage, strict=True)):
        sd = all_sd[:, i]
        if word or not np.any(sd > 1e-12):
            continue
        first_a, at_a = levels[i]
        first_b, at_b = b.levels[i]
        at_levels, one_node = b.nodes[first_b, i, :], np.ones(1)
        slope = []
        for sign in (1.0, -1.0):
            moved = (centre[first_a, i] + sign * sd[first_a])[:, None]
            slope.append(
                _column_tables(moved, one_node, at_levels, b.weights, False, scales, prior)
            )
        d_one = (0.5 * (slope[0][0] - slope[1][0]))[:, at_b][at_a]
        d_pair = (0.5 * (slope[0][1] - slope[1][1]))[:, at_b][at_a]
        own, other = _side(stage), PRESS if _side(stage) == CURE else CURE
        pool = prior.fabric_cure if own == CURE else prior.fabric_press
        change = (d_one + weight * d_pair * (parts.pair_sum[own] - parts.pairs[i])) * parts.pooled(
            pool
        )
        across = weight * prior.across_stages**2 * parts.pooled(prior.fabric_press)
        change += across * d_pair * parts.pair_sum[other]
        gap = scales.amplitude**2 * (change @ weights)
        out[:, i, :] = gap + _mean_slope(centre, i, shape, scales, prior)[:, None] * sd[:, None]
    return out


def _mean_slope(centre: Array, i: int, shape: FieldShape, scales: Scales, prior: Prior) -> Array:
    """Slope (n,) of the trade mean in column i."""
    slope = -2.0 * scales.amplitude * prior.fall * centre[:, i]
    for pair in shape.trade_off:
        if i in pair:
            slope = slope - scales.amplitude * prior.dose * centre[:, sum(pair) - i]
    return np.asarray(slope)


def variance(a: Points, shape: FieldShape, scales: Scales, prior: Prior) -> Array:
    """Prior variance (n_a,) of one outcome's field, averaged over the nodes of each point."""
    a = a.moved(scales)
    ones, pairs = [], []
    for i, word in enumerate(shape.word):
        first, at = a.levels[i]
        one, pair = _diagonal_tables(a.nodes[first, i, :], a.weights, word, scales, prior)
        ones.append(one[at])
        pairs.append(pair[at])
    return _assemble(_gathered(ones, pairs, np.ones(a.n), shape), shape, scales, prior)


def outcome_correlation(shape: FieldShape, alike: float, prior: Prior) -> Array:
    """Correlation (O, O) of the outcomes' fields: ``alike`` off the diagonal, more inside a series.

    A sum of three covariances (common, of the series, own), so it is one for any series.
    """
    own = np.eye(shape.n_outcomes)
    codes = np.array(shape.series or range(shape.n_outcomes))
    same = (codes[:, None] == codes[None, :]).astype(float)
    apart = prior.wash_tie * same + (1.0 - prior.wash_tie) * own
    return np.asarray(alike + (1.0 - alike) * apart)
