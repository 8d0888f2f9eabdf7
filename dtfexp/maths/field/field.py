"""The prior of the latent quality: a Gaussian field over settings, fabrics and outcomes.

Latent values are in *grade units* above the acceptance cut: zero is just acceptable, one is a fifth
of a five-grade scale better. The field is a sum (Durrande et al. 2012, J. Multivariate Anal.
115:57, additive kernels; Rasmussen & Williams 2006, sec. 4.2 and 2.7 for the mean):

    f(x) = intercept + prior mean + one-factor parts + two-factor parts

Temperature and time of one stage may act by their dose or separately, in a share that is a
hyperparameter: the dose is a further column (:mod:`dtfexp.maths.field.points`). Cure belongs to
film and powder, so its parts are nearly shared by fabrics; press parts are partially pooled. Batch
effects of loads, rounds and blocks are further covariance.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from dtfexp.maths.field.general_trend import kernel_prior
from dtfexp.maths.field.input_noise import input_noise_moments
from dtfexp.maths.field.parameters import Hyperparameters, Prior
from dtfexp.maths.field.points import (
    CURE,
    PRESS,
    FieldShape,
    Points,
    difference_rows,
    kept_between,
)

Array = NDArray[np.float64]
Ints = NDArray[np.int_]


def prior_mean(points: Points, shape: FieldShape, hyper: Hyperparameters, prior: Prior) -> Array:
    """Return the prior mean (n,): best near the usual settings, falling on both sides.

    Averaged over the nodes. As far as temperature and time of one stage act by their dose, hot AND
    long is worse than hot and short (practice; no source). METHODS.md, equation (3).
    """
    points, differences = points.without_differences
    points = _shifted_with_doses(points, shape, hyper)
    square = (points.nodes**2) @ points.weights
    falls = np.where(shape.is_category_column, 0.0, shape.column_weights(hyper.dose_share))
    mean = np.asarray(
        prior.intercept_mean - hyper.amplitude * prior.mean_curvature * (square @ falls)
    )
    return difference_rows(mean, differences)


def outcome_means(points: Points, shape: FieldShape, hyper: Hyperparameters, prior: Prior) -> Array:
    """Return the prior mean of every outcome, (n, O), or (n, 1) where all have the same."""
    if hyper.trend is None:
        return prior_mean(points, shape, hyper, prior)[:, None]
    points, differences = points.without_differences
    return difference_rows(hyper.trend.mean_at(points.shifted(hyper.shift)), differences)


_pairs_of_nodes = lru_cache(np.triu_indices)


def _column_tables(
    a: Array, wa: Array, b: Array, wb: Array, word: bool, hyper: Hyperparameters, prior: Prior
) -> tuple[Array, Array]:
    """Return both tables of nodes a (na, qa) and b (nb, qb), averaged. METHODS.md, equation (4)."""
    if word:
        same = (a[:, None, 0] == b[None, :, 0]).astype(float)
        return prior.category_sd**2 * same, same
    mean_a, mean_b = a @ wa, b @ wb
    square_a, square_b = (a * a) @ wa, (b * b) @ wb
    smooth = np.zeros((len(a), len(b)))
    # Node by node: plain matrices are faster than a sum over short axes of a four-way array.
    for node_a, weight_a in zip(a.T, wa, strict=True):
        for node_b, weight_b in zip(b.T, weight_a * wb, strict=True):
            smooth += weight_b * _squared_exponential(
                np.subtract.outer(node_a, node_b), hyper.length
            )
    slope = np.multiply.outer(mean_a, mean_b)
    one = np.multiply.outer(square_a, prior.quadratic_sd**2 * square_b)
    one += prior.slope_sd**2 * slope
    one += prior.smooth_sd**2 * smooth
    slope *= prior.interaction_slope_sd
    smooth *= prior.interaction_smooth_sd
    slope += smooth
    return one, slope


def _squared_exponential(gap: Array, length: float) -> Array:
    """Return exp(-(gap / length)^2 / 2), written over ``gap``.

    In place, because with thousands of points memory traffic takes longer than arithmetic.
    """
    gap *= np.sqrt(0.5) / length
    gap *= gap
    np.negative(gap, out=gap)
    return np.asarray(np.exp(gap, out=gap))


def _diagonal_tables(
    a: Array, wa: Array, word: bool, hyper: Hyperparameters, prior: Prior
) -> tuple[Array, Array]:
    """Return :func:`_column_tables` at equal points, (na,)."""
    if word:
        return np.full(len(a), prior.category_sd**2), np.ones(len(a))
    mean, square = a @ wa, (a * a) @ wa
    # Each pair of nodes once, by symmetry.
    i, k = _pairs_of_nodes(len(wa), 1)
    smooth = _squared_exponential(a[:, i] - a[:, k], hyper.length) @ (2.0 * wa[i] * wa[k]) + np.sum(
        wa**2
    )
    one = (
        prior.slope_sd**2 * mean**2
        + prior.quadratic_sd**2 * square**2
        + prior.smooth_sd**2 * smooth
    )
    return one, prior.interaction_slope_sd * mean**2 + prior.interaction_smooth_sd * smooth


@dataclass(frozen=True)
class _StageSide:
    """The summed parts of one side (cure, or press and peel), on the joint levels of its settings.

    ``first``, ``at``: a row for each level, and the level of every row of ``a``; ``total`` (L,
    n_b): all parts of the side alone; ``pairs``: pair part of each column, ``pair_sum``: their sum,
    the same shape. On a diagonal all are (L,). ``pools``: of cure, press and intercept, as
    ``total``.
    """

    first: Ints
    at: Ints
    total: Array
    pairs: dict[int, Array]
    pair_sum: Array
    pools: tuple[Array, Array, Array]


def _side_of_stage(stage: int) -> int:
    return CURE if stage == CURE else PRESS


def _columns(shape: FieldShape, side: int) -> tuple[int, ...]:
    return tuple(k for k, stage in enumerate(shape.stages) if _side_of_stage(stage) == side)


def _side_sums(
    first: Ints,
    at: Ints,
    tables: dict[int, tuple[Array, Array]],
    pools: tuple[Array, Array, Array],
    shape: FieldShape,
    hyper: Hyperparameters,
) -> _StageSide:
    """Return a side from the one-factor and pair tables of its columns, at the side's levels."""
    total, squares, pair_sum = (np.zeros_like(pools[0]) for _ in range(3))
    pairs, shares = {}, shape.column_weights(hyper.dose_share)
    for k, (one, pair) in tables.items():
        pairs[k] = shares[k] * pair
        total += shares[k] * one
        pair_sum += pairs[k]
        squares += pairs[k] ** 2
    # Sum over pairs i < j of p_i p_j = ((sum p)^2 - sum p^2) / 2: one pass, no double loop.
    total += 0.5 * hyper.interaction**2 * (pair_sum**2 - squares)
    return _StageSide(first, at, total, pairs, pair_sum, pools)


def _assemble(sides: dict[int, _StageSide], hyper: Hyperparameters, prior: Prior) -> Array:
    """Return the sum of the sides with the pooling of fabrics, for matrices and diagonals."""
    cure, press = sides[CURE], sides[PRESS]
    signal = hyper.amplitude**2
    pool_cure, _, pool_intercept = cure.pools
    pool_press = press.pools[1]
    alone = signal * pool_cure * cure.total + prior.intercept_sd**2 * pool_intercept
    beside = (
        (signal * (hyper.interaction * prior.cross_stage_share) ** 2) * pool_press * press.pair_sum
    )
    out = cure.pair_sum[cure.at]
    out *= beside[press.at]
    out += alone[cure.at]
    out += (signal * pool_press * press.total)[press.at]
    return np.asarray(out)


def _fabric_correlations(
    a: Points, b: Points, rows: Ints, prior: Prior
) -> tuple[Array, Array, Array]:
    """Return correlations (L, n_b) of cure, press and intercept of rows of ``a`` with ``b``.

    Partial pooling of fabrics, and the correlation kept after a change. METHODS.md, section 2.
    """
    same = (a.fabric[rows][:, None] == b.fabric[None, :]).astype(float)
    kept = kept_between(a.take(rows).before_change, b.before_change, prior.change_correlation)
    cure, press, intercept = (
        np.asarray(kept * (rho + (1.0 - rho) * same))
        for rho in (prior.fabric_cure, prior.fabric_press, prior.fabric_intercept)
    )
    return cure, press, intercept


def _sides(
    a: Points,
    b: Points,
    shape: FieldShape,
    hyper: Hyperparameters,
    prior: Prior,
    *,
    each_row: bool = False,
) -> dict[int, _StageSide]:
    """Return the two sides between points that have their doses already.

    ``each_row``: every row of ``a`` is a level of its own.
    """
    out, prior = {}, kernel_prior(prior, hyper)
    for side in (CURE, PRESS):
        columns = _columns(shape, side)
        rows = np.arange(a.n)
        first, at = (rows, rows) if each_row else a.joint_levels(columns)
        tables = {}
        for k in columns:
            (first_a, at_a), (first_b, at_b) = a.levels[k], b.levels[k]
            level_a, level_b = a.nodes[first_a, k, :], b.nodes[first_b, k, :]
            one, pair = _column_tables(
                level_a, a.weights, level_b, b.weights, shape.is_category_column[k], hyper, prior
            )
            tables[k] = one[at_a[first]][:, at_b], pair[at_a[first]][:, at_b]
        out[side] = _side_sums(
            first, at, tables, _fabric_correlations(a, b, first, prior), shape, hyper
        )
    return out


def _shifted_with_doses(points: Points, shape: FieldShape, hyper: Hyperparameters) -> Points:
    """Return the points in today's settings, with the doses."""
    return points.shifted(hyper.shift).with_doses(shape.trade_off)


def covariance(
    a: Points, b: Points, shape: FieldShape, hyper: Hyperparameters, prior: Prior
) -> Array:
    """Return the prior covariance (n_a, n_b) of one outcome's field. METHODS.md, equation (5)."""
    (a, of_a), (b, of_b) = a.without_differences, b.without_differences
    a, b = _shifted_with_doses(a, shape, hyper), _shifted_with_doses(b, shape, hyper)
    whole = _whole(_sides(a, b, shape, hyper, prior), a, b, hyper, prior)
    return difference_rows(difference_rows(whole, of_a).T, of_b).T


def _whole(
    sides: dict[int, _StageSide], a: Points, b: Points, hyper: Hyperparameters, prior: Prior
) -> Array:
    """Return the sum of the sides, and the low-order part where that is learnt."""
    out = _assemble(sides, hyper, kernel_prior(prior, hyper))
    return (
        out if hyper.trend is None else out + hyper.trend.covariance(a, b, prior.change_correlation)
    )


def covariance_and_input_noise(
    a: Points, b: Points, shape: FieldShape, hyper: Hyperparameters, prior: Prior, weights: Array
) -> tuple[Array, Array]:
    """Return the covariance (n_a, n_b), and the input-noise moments (n_a, O, 3 + O) at ``a``.

    Moments as in :mod:`dtfexp.maths.field.input_noise`. No point of ``a`` is a difference.
    ``weights`` (n_b, O) are the posterior's prediction weights. For each setting the posterior mean
    is compared one standard deviation of the spread to each side; only that column's parts change,
    so the rest is computed once.
    """
    b, weights, of_b = _unfolded_weights(b, weights)
    a, b = _shifted_with_doses(a, shape, hyper), _shifted_with_doses(b, shape, hyper)
    sides = _sides(a, b, shape, hyper, prior)
    gaps = _spread_effects(sides, a, a.sd, b, shape, hyper, prior, weights)
    lean, peak = (of[:, : gaps.shape[1]] for of in a.skewness_and_kurtosis)
    whole = _whole(sides, a, b, hyper, prior)
    return difference_rows(whole.T, of_b).T, input_noise_moments(gaps, lean, peak)


def _unfolded_weights(b: Points, weights: Array) -> tuple[Points, Array, Ints]:
    """Return plain points with equivalent weights (n, O), and which rows were differences."""
    b, rows = b.without_differences
    return b, (np.concatenate([weights, -weights[rows]]) if len(rows) else weights), rows


def spread_effects(
    a: Points,
    sd: Array,
    b: Points,
    shape: FieldShape,
    hyper: Hyperparameters,
    prior: Prior,
    weights: Array,
) -> Array:
    """Return the effect (n_a, d, O) of one sd of the machine spread on the mean field.

    ``sd`` (n_a, d) in codes, or 0; ``weights`` (n_b, O) as in :func:`covariance_and_input_noise`.
    Of a difference only the first end counts. METHODS.md, equation (12).
    """
    a, (b, weights, _) = replace(a, subtracted_nodes=None), _unfolded_weights(b, weights)
    a, b = _shifted_with_doses(a, shape, hyper), _shifted_with_doses(b, shape, hyper)
    # Two rows at one setting may differ: one may have a reading.
    sides = _sides(a, b, shape, hyper, prior, each_row=True)
    return _spread_effects(sides, a, sd, b, shape, hyper, prior, weights)


def _spread_effects(
    sides: dict[int, _StageSide],
    a: Points,
    all_sd: Array,
    b: Points,
    shape: FieldShape,
    hyper: Hyperparameters,
    prior: Prior,
    weights: Array,
) -> Array:
    """Return half the change (n_a, d, O) of the posterior mean from one sd below to one above.

    A setting moves its own column and that of its dose. The part within its own side is summed over
    the data at the side's levels; only interactions with the other side need both.
    """
    kept, prior = prior.change_correlation, kernel_prior(prior, hyper)
    centre, shares = a.mean, shape.column_weights(hyper.dose_share)
    falls = 2.0 * hyper.amplitude * prior.mean_curvature * shares
    out = np.zeros((a.n, len(shape.stage), weights.shape[1]))
    for i, (word, stage) in enumerate(zip(shape.is_category, shape.stage, strict=True)):
        if word or not np.any(all_sd[:, i] > 1e-12):
            continue
        own, other = (
            sides[_side_of_stage(stage)],
            sides[PRESS if _side_of_stage(stage) == CURE else CURE],
        )
        pool = own.pools[0 if _side_of_stage(stage) == CURE else 1]
        within, together = np.zeros_like(pool), np.zeros_like(pool)
        for k in shape.columns_of(i):
            rows = own.first
            d_one, d_pair = _table_differences(centre[rows, k], all_sd[rows, i], b, k, hyper, prior)
            within += shares[k] * d_one
            within += (shares[k] * hyper.interaction**2) * d_pair * (own.pair_sum - own.pairs[k])
            together += shares[k] * d_pair
            out[:, i, :] -= (falls[k] * centre[:, k] * all_sd[:, i])[:, None]
        change = ((pool * within) @ weights)[own.at]
        across = (hyper.interaction * prior.cross_stage_share) ** 2 * own.pools[1]
        change += _sum_over_data(across * together, own.at, other.pair_sum, other.at, weights)
        out[:, i, :] += hyper.amplitude**2 * change
    if hyper.trend is not None:
        out += hyper.trend.steps(a, all_sd[:, : out.shape[1]], b, kept, weights)
    return out


def _sum_over_data(one: Array, at_one: Ints, two: Array, at_two: Ints, weights: Array) -> Array:
    """Return the sum over b of one[at_one, b] two[at_two, b] weights[b, o], (n_a, O)."""
    if len(one) * len(two) > 2 * len(at_one):
        return np.asarray((one[at_one] * two[at_two]) @ weights)
    # On a grid all pairs of levels occur: a matrix product is cheaper.
    each = [((one * weight) @ two.T)[at_one, at_two] for weight in weights.T]
    return np.stack(each, axis=1)


def _table_differences(
    centre: Array, sd: Array, b: Points, column: int, hyper: Hyperparameters, prior: Prior
) -> tuple[Array, Array]:
    """Return half the change (L, n_b) of a column's two tables from one sd below to one above."""
    first, at = b.levels[column]
    level_b, one_node = b.nodes[first, column, :], np.ones(1)
    ends = np.concatenate([centre - sd, centre + sd])[:, None]
    tables = _column_tables(ends, one_node, level_b, b.weights, False, hyper, prior)
    one, pair = (0.5 * (t[len(centre) :] - t[: len(centre)])[:, at] for t in tables)
    return one, pair


def variance(a: Points, shape: FieldShape, hyper: Hyperparameters, prior: Prior) -> Array:
    """Return the prior variance (n_a,) of one outcome's field, averaged over the nodes."""
    a, out = _shifted_with_doses(a, shape, hyper), {}
    rest = kernel_prior(prior, hyper)
    for side in (CURE, PRESS):
        columns = _columns(shape, side)
        first, at = a.joint_levels(columns)
        tables = {
            k: _diagonal_tables(
                a.nodes[first, k, :], a.weights, shape.is_category_column[k], hyper, rest
            )
            for k in columns
        }
        whole = np.ones(len(first))
        out[side] = _side_sums(first, at, tables, (whole, whole, whole), shape, hyper)
    whole = _assemble(out, hyper, rest)
    return whole if hyper.trend is None else whole + hyper.trend.variance(a)


def outcome_correlation(shape: FieldShape, alike: float, prior: Prior) -> Array:
    """Return the correlation (O, O) of the outcomes' fields, higher within a series.

    ``alike`` off the diagonal. A sum of three covariances (common, of the series, own), so it is
    valid for any series. METHODS.md, equation (6).
    """
    own = np.eye(shape.n_outcomes)
    codes = np.array(shape.series or range(shape.n_outcomes))
    same = (codes[:, None] == codes[None, :]).astype(float)
    apart = prior.series_correlation * same + (1.0 - prior.series_correlation) * own
    return np.asarray(alike + (1.0 - alike) * apart)
