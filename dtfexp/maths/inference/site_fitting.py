"""The data as expectation propagation takes them, and what is found at given hyperparameters.

Prior moments of the rows, their grade intervals and sites; input noise and grade cuts are found
with the sites of one set.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from dtfexp.maths.field import batch_effects, ceiling, field
from dtfexp.maths.field.monotone import STEP_SCALE
from dtfexp.maths.field.parameters import Hyperparameters, Prior
from dtfexp.maths.field.points import FieldShape
from dtfexp.maths.inference import cure_looks
from dtfexp.maths.inference.observations import BY_PICTURE, Data, GradeScale
from dtfexp.maths.inference.posterior import ceilings
from dtfexp.maths.propagation.ep import Observations, Sites, Start, propagate
from dtfexp.maths.propagation.ordinal import cumulative_mode

Array = NDArray[np.float64]
#: Does independent pieces, picklable, and returns their results in order.
Work = Callable[[Sequence[Callable[[], Sites]]], list[Sites]]

# Numbers in the covariances that are worked on at once: more would not stay in a processor's cache.
_AT_ONCE = 2e5
# Neighbouring grades are about equally far apart: sd of the log of a step.
STEP_SD = 0.3
# How often field and cuts are estimated in turn.
ROUNDS_OF_CUTS = 2
# Steps of the sites where coupons were judged again.
JUDGED_AGAIN_STEPS = {"damping": 0.5, "sweeps": 60}
# By how much a picture grades all coupons of an outcome better or worse than the eye, in grades.
PICTURE_BIAS_SD = 0.5


def in_turn(pieces: Sequence[Callable[[], Sites]]) -> list[Sites]:
    """Do one piece after the other."""
    return [piece() for piece in pieces]


def fit_sites(
    data: Data,
    shape: FieldShape,
    prior: Prior,
    grade_scales: tuple[GradeScale | None, ...],
    hyper: list[Hyperparameters],
    start: Start | None = None,
    work: Work = in_turn,
    **options: float,
) -> Sites:
    """Sites of the data at each set of scales; many rows are worked on a few sets at a time.

    start: sites of the same data to set out from, of each set of scales or of one; work: does these
    few sets.
    """
    chunk = max(1, int(_AT_ONCE // max(1, data.n**2)))
    if len(hyper) > chunk:
        one = partial(fit_sites, data, shape, prior, grade_scales)
        few = [slice(i, i + chunk) for i in range(0, len(hyper), chunk)]
        return Sites.joined(
            work(
                [
                    partial(one, hyper[some], start and start.of_settings(some), **options)
                    for some in few
                ]
            )
        )
    covariance = np.array([data_covariance(data, shape, s, prior) for s in hyper])
    batch = np.array([data_batch_covariance(data, s, prior) for s in hyper])
    mean = np.array([data_mean(data, shape, s, prior) for s in hyper])
    noise = np.array([row_noise(data, s) for s in hyper])
    if not data.is_first.all():
        # Two grades of one coupon say nearly the same: moved both at once, they overshoot.
        options = {**options, **JUDGED_AGAIN_STEPS}
    count = len(hyper)
    return propagate(
        covariance.reshape(count, data.n, data.n),
        mean.reshape(count, data.n),
        noise.reshape(count, data.n),
        observations(data, grade_scales),
        batch=batch.reshape(count, data.n, data.n),
        ceiling=(
            np.array([_row_ceilings(data, grade_scales, s) for s in hyper]).reshape(count, data.n)
            if any(np.isfinite(s.ceiling) for s in hyper)
            else None
        ),
        start=start,
        wrong=np.array([wrong_share(s, prior) for s in hyper]),
        **options,  # type: ignore[arg-type]
    )


def fit_settled_sites(
    data: Data,
    shape: FieldShape,
    prior: Prior,
    grade_scales: tuple[GradeScale | None, ...],
    hyper: list[Hyperparameters],
    start: Start,
    work: Work = in_turn,
    **options: float,
) -> Sites:
    """Sites as :func:`fit_sites` finds them from ``start``; sets that do not settle start anew.

    Of scales far from those of ``start`` its sites are a bad guess, from which some run away.
    METHODS.md, section 5.
    """
    found = fit_sites(data, shape, prior, grade_scales, hyper, start, work, **options)
    adrift = np.flatnonzero(~found.converged)
    if not len(adrift):
        return found
    far = [hyper[k] for k in adrift]
    options.pop("sweeps", None)
    return found.updated(
        adrift, fit_sites(data, shape, prior, grade_scales, far, None, work, **options)
    )


def wrong_share(hyper: Hyperparameters, prior: Prior) -> float:
    """Return the share of grades taken for wrong: as found, or the mean of its prior."""
    return prior.wrong_share if hyper.wrong_share is None else hyper.wrong_share


def row_noise(data: Data, hyper: Hyperparameters) -> Array:
    """Return the noise sd (N,) of every row; of a coupon judged again, the eye's part of it.

    METHODS.md, equation (44).
    """
    known = np.where(data.is_cure_look, cure_looks.NOISE, STEP_SCALE)
    noise = np.where(data.is_observed, hyper.noise[data.outcome], known)
    if hyper.eye_share is None:
        return noise
    return np.where(data.same_coupon.any(axis=1), noise * np.sqrt(hyper.eye_share), noise)


def observations(data: Data, grade_scales: tuple[GradeScale | None, ...]) -> Observations:
    """Grade intervals (lower, upper] on the latent scale for every row."""
    lower = np.full(data.n, -np.inf)
    upper = np.full(data.n, np.inf)
    for o, scale in enumerate(grade_scales):
        if scale is None:
            continue
        rows = (data.outcome == o) & (data.grade >= 0)
        edges = np.concatenate(([-np.inf], scale.cuts, [np.inf]))
        lower[rows] = edges[data.grade[rows]]
        upper[rows] = edges[data.grade[rows] + 1]
    falls = ~data.is_observed & ~data.is_cure_look
    lower[falls] = data.value[falls]
    if data.look is not None:
        lower[data.is_cure_look], upper[data.is_cure_look] = cure_looks.latent_interval(
            data.look[data.is_cure_look]
        )
    value = np.where(data.is_observed, data.value, np.nan)
    return Observations(lower, upper, value, grades_of(data, grade_scales))


def grades_of(data: Data, grade_scales: tuple[GradeScale | None, ...]) -> Array:
    """Return how many grades (N,) each row could be; zero where it is no grade."""
    counts = np.array([0.0 if g is None else len(g.cuts) + 1.0 for g in grade_scales])
    return np.where(data.is_observed, counts[data.outcome], 0.0)


def _row_ceilings(
    data: Data, grade_scales: tuple[GradeScale | None, ...], hyper: Hyperparameters
) -> Array:
    return np.where(data.is_observed, ceilings(grade_scales, hyper)[data.outcome], np.inf)


def data_covariance(data: Data, shape: FieldShape, hyper: Hyperparameters, prior: Prior) -> Array:
    """Return the prior covariance (N, N) of the fields behind the rows, input noise included.

    METHODS.md, equations (6) and (12).
    """
    # The rows of a press are at one place.
    places, place = data.design_points.at, data.design_points.index_of_row
    base = field.covariance(places, places, shape, hyper, prior)[np.ix_(place, place)]
    mix = data.outcome_design(shape.n_outcomes)
    out = base * (mix @ field.outcome_correlation(shape, hyper.outcome_correlation, prior) @ mix.T)
    if data.look is not None:
        out += cure_looks.RATER_SD**2 * np.outer(data.is_cure_look, data.is_cure_look)
    if data.input_noise_covariance is not None:
        out += data.input_noise_covariance
    row = np.arange(data.n)
    out[row, row] += 1e-8
    return np.asarray(out)


def data_batch_covariance(data: Data, hyper: Hyperparameters, prior: Prior) -> Array:
    """Return the prior covariance (N, N) of the rows' batch effects.

    They are beside the quality, not under its ceiling.  Monotone rows and cure looks have none.
    The judgements of one coupon share what its print differs by. METHODS.md, equation (44).
    """
    shared = batch_effects.batch_covariance(
        data.outcome, data.load, data.round_, data.block, data.press, hyper, prior
    )
    if hyper.eye_share is not None:
        print_sd = np.sqrt(1.0 - hyper.eye_share) * hyper.noise[data.outcome]
        shared += data.same_coupon * np.outer(print_sd, print_sd)
        by_picture = data.again == BY_PICTURE
        alike = data.outcome[:, None] == data.outcome
        shared += PICTURE_BIAS_SD**2 * alike * np.outer(by_picture, by_picture)
    return np.asarray(shared * data.is_observed[:, None] * data.is_observed)


def data_mean(data: Data, shape: FieldShape, hyper: Hyperparameters, prior: Prior) -> Array:
    """Prior mean (N,) of the observed latent values: differences of two outcomes have none."""
    if hyper.trend is not None:
        each = field.outcome_means(data.at, shape, hyper, prior)
        return np.asarray((each * data.outcome_design(shape.n_outcomes)).sum(axis=1))
    return field.prior_mean(data.at, shape, hyper, prior) * (data.is_observed | data.is_cure_look)


def with_input_noise(
    data: Data,
    shape: FieldShape,
    prior: Prior,
    grade_scales: tuple[GradeScale | None, ...],
    hyper: Hyperparameters,
    rounds: int = 2,
) -> Data:
    """Return the data with what the machine spread did to each press, by the field's slope.

    A press made near an edge reached another place than its setting said, and its grade moved with
    it.  Left out, that scatter would pass for press noise everywhere, on the flat top as well
    (errors in the inputs by a local slope: McHutchon & Rasmussen 2011, NIPS 24).
    METHODS.md, equation (12).
    """
    if data.spread is None or data.n == 0 or not np.any(data.spread > 0):
        return data
    out = data
    for _ in range(rounds):
        sites = fit_sites(out, shape, prior, grade_scales, [hyper], tolerance=0.02)
        alike = field.outcome_correlation(shape, hyper.outcome_correlation, prior)
        weights = sites.weights[0][:, None] * (data.outcome_design(shape.n_outcomes) @ alike)
        gaps = field.spread_effects(data.at, data.spread, data.at, shape, hyper, prior, weights)
        slip = gaps[np.arange(data.n), :, data.outcome] * data.is_observed[:, None]
        out = replace(data, input_noise=slip)
    return out


def fitted_cuts(
    data: Data,
    shape: FieldShape,
    prior: Prior,
    grade_scales: tuple[GradeScale | None, ...],
    hyper: Hyperparameters,
) -> tuple[GradeScale | None, ...]:
    """Unequal grade steps: posterior mode of the cuts given the field, accept cut held at zero.

    Alternates between the field at the central scales and the cumulative-link mode with the
    field as offset; neighbouring cuts keep a log-normal prior around the scale's own step.
    METHODS.md, equation (9).
    """
    if not any(g is not None and g.estimate_steps for g in grade_scales) or data.n == 0:
        return grade_scales
    if not data.is_first.all():
        # Whether a coupon was judged again or not, its first grade says as much of the cuts.
        data, hyper = data.rows(np.flatnonzero(data.is_first)), replace(hyper, eye_share=None)
    current = list(grade_scales)
    for _ in range(ROUNDS_OF_CUTS):
        sites = fit_sites(data, shape, prior, tuple(current), [hyper], tolerance=0.02)
        for o, (now, nominal) in enumerate(zip(current, grade_scales, strict=True)):
            rows = (data.outcome == o) & (data.grade >= 0)
            if now is None or nominal is None or not now.estimate_steps or rows.sum() < 2:
                continue
            noise = hyper.noise[o]
            steps = np.diff(nominal.cuts)
            found_mean, top = sites.mean[0, rows], np.asarray(hyper.ceiling)
            steep = ceiling.quality_slope(found_mean, top)
            variance = (
                steep**2 * sites.variance[0, rows]
                + 2.0 * steep * sites.covariance[0, rows]
                + sites.batch_variance[0, rows]
            )
            found = cumulative_mode(
                np.zeros((int(rows.sum()), 0)),
                data.grade[rows],
                len(now.cuts) + 1,
                offset=(ceiling.quality(found_mean, top) + sites.batch_mean[0, rows]) / noise,
                extra_variance=variance / noise**2,
                step_prior=(float(np.log(steps.mean() / noise)), STEP_SD),
            )
            accept = int(np.argmin(np.abs(nominal.cuts)))
            cuts = found.cuts * noise
            current[o] = replace(now, cuts=cuts - cuts[accept])
    return tuple(current)
