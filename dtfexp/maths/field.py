"""The prior of the latent quality: a Gaussian field over settings, fabrics and outcomes.

Latent values are in *grade units* above the acceptance cut: zero is just acceptable, one is a
fifth of a five-grade scale better.  The field is a sum (Durrande et al. 2012, J. Multivariate
Anal. 115:57, additive kernels; Rasmussen & Williams 2006, sec. 4.2 and 2.7 for the mean):

    f(x) = intercept + trade mean + one-factor parts + two-factor parts

Temperature and time of one stage may act as one dose or each by itself (in truth somewhere between,
which is a scale): their dose is one more factor, a column of its own (:mod:`dtfexp.maths.points`).
Cure belongs to film and powder, so its parts are nearly shared by fabrics; press parts are
partially pooled.  Luck of loads, rounds and blocks is simply more covariance.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dtfexp.maths.points import CURE, PRESS, FieldShape, Points

Array = NDArray[np.float64]
Ints = NDArray[np.int_]


@dataclass(frozen=True)
class Prior:
    """Fixed constants of the prior, in grade units, each with its reason.

    They were chosen on simulated benches (``tests/bench``); none has a published source.
    """

    # The usual settings pass more often than not; some shops run far from a good place.
    intercept_mean: float = 0.7
    intercept_sd: float = 0.9
    # Lost at one half-range from the usual setting.
    fall: float = 1.6
    # One setting alone: tilted, bent, and an edge anywhere.
    slope_sd: float = 0.9
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
    press_share_sd: float = 0.1
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
    the acceptance cut the best possible print is; dose is the share of what temperature and time of
    a stage do that goes by their dose alone; shift (d,) is how much, in codes, every setting does
    more now than before a change (None: nothing has changed).
    """

    amplitude: float
    length: float
    interplay: float
    load_sd: float
    round_sd: float
    alike: float
    noise: Array
    ceiling: float = np.inf
    dose: float = 0.25
    shift: Array | None = None


def trade_mean(points: Points, shape: FieldShape, scales: Scales, prior: Prior) -> Array:
    """Prior mean (n,): best near the usual settings, falling away on both sides.

    Averaged over the nodes.  As far as temperature and time of one stage add up to a dose, being
    hot AND long is worse than hot and short (practice; no source).
    """
    points = points.moved(scales.shift).with_doses(shape.trade_off)
    square = (points.nodes**2) @ points.weights
    falls = np.where(shape.words, 0.0, shape.shares(scales.dose))
    return np.asarray(prior.intercept_mean - scales.amplitude * prior.fall * (square @ falls))


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
    """What the columns add up to between points, by side (cure, press), and the pooling.

    alone: the one-factor parts, less half the squares of the pair parts (see :func:`_sides`);
    pairs: pair part of every column, pair_sum: their sums; kept: correlation over a change, for
    points on either side of it.
    """

    alone: dict[int, Array]
    pairs: list[Array]
    pair_sum: dict[int, Array]
    same_fabric: Array
    kept: Array | float = 1.0

    def pooled(self, rho: float) -> Array:
        return np.asarray(self.kept * (rho + (1.0 - rho) * self.same_fabric))


def _side(stage: int) -> int:
    return CURE if stage == CURE else PRESS


def _own_part(one: Array, pair: Array, share: float, scales: Scales) -> tuple[Array, Array]:
    """A column's share of the one-factor parts and its pair part, from its tables.

    Sum over pairs i < j of p_i p_j = ((sum p)^2 - sum p^2) / 2: the squares are taken off here,
    where tables are small, and need no double loop.
    """
    pair = share * pair
    return share * one - 0.5 * (scales.interplay * pair) ** 2, pair


def _added_up(parts: list[Array], shape: FieldShape) -> dict[int, Array]:
    out = {CURE: np.zeros_like(parts[0]), PRESS: np.zeros_like(parts[0])}
    for part, stage in zip(parts, shape.stages, strict=True):
        out[_side(stage)] += part
    return out


def _assemble(parts: _Parts, shape: FieldShape, scales: Scales, prior: Prior) -> Array:
    """Sum of the parts with the pooling of fabrics; works on matrices and on diagonals alike."""
    weight, sums = scales.interplay**2, parts.pair_sum
    signal = (parts.alone[CURE] + 0.5 * weight * sums[CURE] ** 2) * parts.pooled(prior.fabric_cure)
    press = parts.alone[PRESS] + 0.5 * weight * sums[PRESS] ** 2
    press += weight * prior.across_stages**2 * sums[CURE] * sums[PRESS]
    signal += press * parts.pooled(prior.fabric_press)
    signal *= scales.amplitude**2
    return np.asarray(signal + prior.intercept_sd**2 * parts.pooled(prior.fabric_intercept))


def _kept(a: Points, b: Points, prior: Prior) -> Array | float:
    if prior.kept == 1.0 or (a.before is None and b.before is None):
        return 1.0
    of_a, of_b = (np.zeros(p.n, bool) if p.before is None else p.before for p in (a, b))
    return np.where(of_a[:, None] == of_b[None, :], 1.0, prior.kept)


def _cross_parts(a: Points, b: Points, shape: FieldShape, scales: Scales, prior: Prior) -> _Parts:
    """Parts between points that have their doses already."""
    alone, pairs = [], []
    for i, (word, share) in enumerate(zip(shape.words, shape.shares(scales.dose), strict=True)):
        (first_a, at_a), (first_b, at_b) = a.levels[i], b.levels[i]
        at_levels_a, at_levels_b = a.nodes[first_a, i, :], b.nodes[first_b, i, :]
        tables = _column_tables(at_levels_a, a.weights, at_levels_b, b.weights, word, scales, prior)
        own, pair = _own_part(*tables, share, scales)
        alone.append(own[:, at_b][at_a])
        pairs.append(pair[:, at_b][at_a])
    if a.n and np.all(a.fabric == a.fabric[0]):
        same = (a.fabric[:1, None] == b.fabric[None, :]).astype(float)
    else:
        same = (a.fabric[:, None] == b.fabric[None, :]).astype(float)
    sums = _added_up(alone, shape), pairs, _added_up(pairs, shape)
    return _Parts(*sums, same, _kept(a, b, prior))


def _with_all(points: Points, shape: FieldShape, scales: Scales) -> Points:
    """On today's settings, with the doses."""
    return points.moved(scales.shift).with_doses(shape.trade_off)


def covariance(a: Points, b: Points, shape: FieldShape, scales: Scales, prior: Prior) -> Array:
    """Prior covariance (n_a, n_b) of one outcome's field between two sets of points."""
    a, b = _with_all(a, shape, scales), _with_all(b, shape, scales)
    return _assemble(_cross_parts(a, b, shape, scales, prior), shape, scales, prior)


def covariance_and_wander(
    a: Points, b: Points, shape: FieldShape, scales: Scales, prior: Prior, weights: Array
) -> tuple[Array, Array]:
    """Covariance (n_a, n_b) and the variance (n_a, O) that the machine spread adds at ``a``.

    ``weights`` (n_b, O) are the posterior's prediction weights.  For each setting the posterior
    mean is compared one standard deviation of the spread to each side; only that column's parts
    change, so the rest is worked out once.
    """
    a, b = _with_all(a, shape, scales), _with_all(b, shape, scales)
    parts = _cross_parts(a, b, shape, scales, prior)
    gaps = _gaps(parts, a, a.sd(), a.levels, b, shape, scales, prior, weights)
    return _assemble(parts, shape, scales, prior), np.asarray((gaps**2).sum(axis=1))


def spread_gaps(
    a: Points, sd: Array, b: Points, shape: FieldShape, scales: Scales, prior: Prior, weights: Array
) -> Array:
    """What one sd of the machine spread in each setting does to the mean field, (n_a, d, O).

    sd (n_a, d) in codes, zero where nothing wanders; ``weights`` (n_b, O) as in
    :func:`covariance_and_wander`.
    """
    a, b = _with_all(a, shape, scales), _with_all(b, shape, scales)
    parts = _cross_parts(a, b, shape, scales, prior)
    # Of two rows at one setting one may have been read off: every row is a level of its own.
    rows = np.arange(a.n)
    levels = [(rows, rows)] * len(shape.words)
    return _gaps(parts, a, sd, levels, b, shape, scales, prior, weights)


def _gaps(
    parts: _Parts,
    a: Points,
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
    A setting moves its own column and that of its dose.
    """
    centre, shares = a.middle(), shape.shares(scales.dose)
    falls = 2.0 * scales.amplitude * prior.fall * shares
    out = np.zeros((a.n, len(shape.stage), weights.shape[1]))
    for i, (word, stage) in enumerate(zip(shape.word, shape.stage, strict=True)):
        sd = all_sd[:, i]
        if word or not np.any(sd > 1e-12):
            continue
        side, other = _side(stage), PRESS if _side(stage) == CURE else CURE
        pool = parts.pooled(prior.fabric_cure if side == CURE else prior.fabric_press)
        within = scales.interplay**2 * pool
        across = (scales.interplay * prior.across_stages) ** 2 * parts.pooled(prior.fabric_press)
        beside = across * parts.pair_sum[other]
        change: Array | float = 0.0
        for k in shape.moved_by(i):
            d_one, d_pair = _tables_gap(centre[:, k], sd, levels[k], b, k, scales, prior)
            pairs = within * (parts.pair_sum[side] - parts.pairs[k]) + beside
            change = change + shares[k] * (d_one * pool + d_pair * pairs)
            out[:, i, :] -= (falls[k] * centre[:, k] * sd)[:, None]
        out[:, i, :] += scales.amplitude**2 * (np.asarray(change) @ weights)
    return out


def _tables_gap(
    centre: Array,
    sd: Array,
    levels: tuple[Ints, Ints],
    b: Points,
    column: int,
    scales: Scales,
    prior: Prior,
) -> tuple[Array, Array]:
    """Half the change (n_a, n_b) of a column's two tables from one sd below to one above."""
    (first_a, at_a), (first_b, at_b) = levels, b.levels[column]
    at_levels, one_node = b.nodes[first_b, column, :], np.ones(1)
    less, more = (
        _column_tables(
            (centre[first_a] + sign * sd[first_a])[:, None],
            one_node,
            at_levels,
            b.weights,
            False,
            scales,
            prior,
        )
        for sign in (-1.0, 1.0)
    )
    one, pair = (0.5 * (m - k) for k, m in zip(less, more, strict=True))
    return one[:, at_b][at_a], pair[:, at_b][at_a]


def variance(a: Points, shape: FieldShape, scales: Scales, prior: Prior) -> Array:
    """Prior variance (n_a,) of one outcome's field, averaged over the nodes of each point."""
    a = _with_all(a, shape, scales)
    alone, pairs = [], []
    for i, (word, share) in enumerate(zip(shape.words, shape.shares(scales.dose), strict=True)):
        first, at = a.levels[i]
        tables = _diagonal_tables(a.nodes[first, i, :], a.weights, word, scales, prior)
        own, pair = _own_part(*tables, share, scales)
        alone.append(own[at])
        pairs.append(pair[at])
    sums = _added_up(alone, shape), pairs, _added_up(pairs, shape)
    return _assemble(_Parts(*sums, np.ones(a.n)), shape, scales, prior)


def outcome_correlation(shape: FieldShape, alike: float, prior: Prior) -> Array:
    """Correlation (O, O) of the outcomes' fields: ``alike`` off the diagonal, more inside a series.

    A sum of three covariances (common, of the series, own), so it is one for any series.
    """
    own = np.eye(shape.n_outcomes)
    codes = np.array(shape.series or range(shape.n_outcomes))
    same = (codes[:, None] == codes[None, :]).astype(float)
    apart = prior.wash_tie * same + (1.0 - prior.wash_tie) * own
    return np.asarray(alike + (1.0 - alike) * apart)
