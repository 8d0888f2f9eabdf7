"""The posterior of the latent field and what it says of a new press.

Arrays in, arrays out.  ``Posterior`` holds a few weighted scale settings with the EP sites of each;
predictions are Gaussian within a setting and mixed over settings.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import compress

import numpy as np
from numpy.typing import NDArray

from dtfexp.maths.field import batch_effects, ceiling, field
from dtfexp.maths.field.monotone import STEP_SCALE, monotone_fields
from dtfexp.maths.field.parameters import Hyperparameters, Prior
from dtfexp.maths.field.points import FieldShape
from dtfexp.maths.field.trend import LearntTrend
from dtfexp.maths.inference import cure_looks
from dtfexp.maths.inference.ep import Observations, Sites, propagate
from dtfexp.maths.inference.hyperparameters import (
    HYPER_PRIORS,
    HyperPrior,
    LearntPrior,
    integrate,
    n_dimensions,
    to_hyperparameters,
)
from dtfexp.maths.inference.observations import Data, GradeScale
from dtfexp.maths.inference.ordinal import cumulative_mode
from dtfexp.maths.inference.single_thread import single_threaded

Array = NDArray[np.float64]
Ints = NDArray[np.int_]
Bools = NDArray[np.bool_]

# Rows from which the scales are found.  With more, evenly spread presses stand for all: the work
# grows with the cube of the rows, and with fewer the scales are only less well known.
HYPERPARAMETER_ROWS = 400
# Numbers in the covariances that are worked on at once.
_AT_ONCE = 4e6
# A prior less likely than this, the data seen, is left out: every prior kept costs time.
LEAST_SHARE = 0.01
# Neighbouring grades are about equally far apart: sd of the log of a step.
STEP_SD = 0.3


@dataclass(frozen=True)
class Posterior:
    """Weighted scale settings with their sites; everything a prediction needs."""

    data: Data
    shape: FieldShape
    prior: Prior
    grade_scales: tuple[GradeScale | None, ...]
    integration_points: tuple[Hyperparameters, ...]
    weight: Array
    sites: Sites
    hyper_priors: tuple[HyperPrior, ...] = HYPER_PRIORS

    @property
    def settled(self) -> bool:
        """Whether the updates of every scale setting settled, with every integral in range."""
        return bool(self.sites.converged.all() and self.sites.resolved.all())

    def shift(self) -> tuple[Array, Array] | None:
        """Mean and sd (d,) of each setting's move in codes; None: no change was looked for."""
        found = [s.shift for s in self.integration_points if s.shift is not None]
        if not found:
            return None
        moved = np.array(found)
        mean = self.weight @ moved
        return mean, np.sqrt(self.weight @ (moved - mean) ** 2)

    def outcome_correlation(self, j: int) -> Array:
        """Correlation (O, O) of the outcomes' fields at scale setting ``j``."""
        return field.outcome_correlation(
            self.shape, self.integration_points[j].outcome_correlation, self.prior
        )

    def row_outcome_correlation(self, j: int) -> Array:
        """Correlation (N, O) of what every row of the data holds with the outcomes' fields."""
        return np.asarray(
            self.data.outcome_design(self.shape.n_outcomes) @ self.outcome_correlation(j)
        )

    def weights(self, j: int) -> Array:
        """Prediction weights (N, O) at scale setting ``j``; empty when nothing was seen."""
        return np.asarray(self.sites.weights[j][:, None] * self.row_outcome_correlation(j))

    def whitened_cross(self, base: Array, j: int) -> list[Array]:
        """Return the whitened link (n, N) of points to the data, for each outcome.

        From their prior covariance ``base`` (n, N): posterior covariance = prior - link @ link'.
        """
        return [
            (base * column) @ self.sites.root[j] for column in self.row_outcome_correlation(j).T
        ]

    def weights_by_point(self, j: int) -> Array:
        """Return the prediction weights added up by place, (P, O)."""
        return self.data.design_points.sum_rows(self.weights(j))

    def whitened_cross_by_point(self, base: Array, j: int) -> list[Array]:
        """``links`` from the prior covariance ``base`` (n, P) with the places of the data."""
        return [base @ root for root in self._roots_by_point(j)]

    def covariance_reduction(self, base: Array, j: int) -> Array:
        """Return the covariance reduction by the data, for the outcomes (n, O, O)."""
        roots = self._roots_by_point(j)
        out = np.empty((len(base), len(roots), len(roots)))
        for o, one in enumerate(roots):
            for p in range(o, len(roots)):
                out[:, o, p] = ((base @ (one @ roots[p].T)) * base).sum(axis=1)
                out[:, p, o] = out[:, o, p]
        return out

    def _roots_by_point(self, j: int) -> list[Array]:
        """Return the sites' roots added up by place for each outcome, O of (P, N)."""
        root, places = self.sites.root[j], self.data.design_points
        return [
            places.sum_rows(column[:, None] * root) for column in self.row_outcome_correlation(j).T
        ]

    def ceiling(self, j: int) -> Array:
        """Ceiling of quality (O,) at scale setting ``j``; measured outcomes have none."""
        return ceilings(self.grade_scales, self.integration_points[j])

    def quality(self, latent: Array, j: int) -> Array:
        """Return fields (..., O) as quality, after more washes never more than after fewer."""
        return ceiling.quality(monotone_fields(latent, self.shape.wash_order), self.ceiling(j))

    def steepness(self, latent: Array, j: int) -> Array:
        """How much quality gains for a small gain of the fields (..., O)."""
        return ceiling.quality_slope(
            monotone_fields(latent, self.shape.wash_order), self.ceiling(j)
        )

    def new_press_variance(self, j: int) -> tuple[float, Array]:
        """Variance a NEW press adds: shared by all outcomes, and each outcome's own (O,)."""
        return batch_effects.new_press_variance(
            self.integration_points[j], self.prior, bool(np.any(self.data.block >= 0))
        )


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
    counts = np.array([0.0 if g is None else len(g.cuts) + 1.0 for g in grade_scales])
    grades = np.where(data.is_observed, counts[data.outcome], 0.0)
    return Observations(lower, upper, np.where(data.is_observed, data.value, np.nan), grades)


def ceilings(grade_scales: tuple[GradeScale | None, ...], hyper: Hyperparameters) -> Array:
    """Ceiling of quality (O,) for each outcome; infinite where it is measured."""
    return np.array([np.inf if scale is None else hyper.ceiling for scale in grade_scales])


def _row_ceilings(
    data: Data, grade_scales: tuple[GradeScale | None, ...], hyper: Hyperparameters
) -> Array:
    return np.where(data.is_observed, ceilings(grade_scales, hyper)[data.outcome], np.inf)


def data_covariance(data: Data, shape: FieldShape, hyper: Hyperparameters, prior: Prior) -> Array:
    """Return the prior covariance (N, N) of the fields behind the rows, input noise included."""
    base = field.covariance(data.at, data.at, shape, hyper, prior)
    mix = data.outcome_design(shape.n_outcomes)
    out = base * (mix @ field.outcome_correlation(shape, hyper.outcome_correlation, prior) @ mix.T)
    if data.look is not None:
        out += cure_looks.RATER_SD**2 * np.outer(data.is_cure_look, data.is_cure_look)
    if data.input_noise is not None:
        out += batch_effects.input_noise_covariance(data.input_noise, data.press)
    return np.asarray(out + 1e-8 * np.eye(data.n))


def data_batch_covariance(data: Data, hyper: Hyperparameters, prior: Prior) -> Array:
    """Return the prior covariance (N, N) of the rows' batch effects.

    They are beside the quality, not under its ceiling.  Monotone rows and cure looks have none.
    """
    shared = batch_effects.batch_covariance(
        data.outcome, data.load, data.round_, data.block, data.press, hyper, prior
    )
    return np.asarray(shared * data.is_observed[:, None] * data.is_observed)


def data_mean(data: Data, shape: FieldShape, hyper: Hyperparameters, prior: Prior) -> Array:
    """Prior mean (N,) of the observed latent values: differences of two outcomes have none."""
    if hyper.trend is not None:
        each = field.outcome_means(data.at, shape, hyper, prior)
        return np.asarray((each * data.outcome_design(shape.n_outcomes)).sum(axis=1))
    return field.prior_mean(data.at, shape, hyper, prior) * (data.is_observed | data.is_cure_look)


def fit_sites(
    data: Data,
    shape: FieldShape,
    prior: Prior,
    grade_scales: tuple[GradeScale | None, ...],
    hyper: list[Hyperparameters],
    start: Sites | None = None,
    **options: float,
) -> Sites:
    """Sites of the data at each set of scales; many rows are worked on a few sets at a time.

    start: sites of the same data at one set of scales, to set out from.
    """
    chunk = max(1, int(_AT_ONCE // max(1, data.n**2)))
    if len(hyper) > chunk:
        parts = [
            fit_sites(data, shape, prior, grade_scales, hyper[i : i + chunk], start, **options)
            for i in range(0, len(hyper), chunk)
        ]
        return Sites.joined(parts)
    covariance = np.array([data_covariance(data, shape, s, prior) for s in hyper])
    batch = np.array([data_batch_covariance(data, s, prior) for s in hyper])
    mean = np.array([data_mean(data, shape, s, prior) for s in hyper])
    known = np.where(data.is_cure_look, cure_looks.NOISE, STEP_SCALE)
    noise = np.array([np.where(data.is_observed, s.noise[data.outcome], known) for s in hyper])
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
        wrong=prior.wrong_share,
        **options,  # type: ignore[arg-type]
    )


@single_threaded
def infer(
    data: Data,
    shape: FieldShape,
    grade_scales: tuple[GradeScale | None, ...],
    prior: Prior,
    *,
    hyper_priors: tuple[HyperPrior, ...] = HYPER_PRIORS,
    learnt: LearntPrior | None = None,
    n_points: int | None = None,
    n_integration_points: int = 16,
) -> Posterior:
    """Infer: estimate unequal grade steps, integrate the scales, then keep the sites.

    ``learnt``: beside the general prior, in a mixture of both whose shares the data revise.
    METHODS.md, equation (39).
    """
    own = n_dimensions(shape.n_outcomes)
    # A change moved some settings by an unknown amount: one more scale for each.
    moving = np.flatnonzero(prior.shift_sd)
    dim = own + len(moving)
    if n_points is None:
        # The work grows with N^3.  Half as many still come within a tenth of a posterior sd.
        n_points = 64 if data.is_observed.sum() <= 80 else 32

    def scales_at(u: Array, priors: tuple[HyperPrior, ...]) -> list[Hyperparameters]:
        made = [to_hyperparameters(row, shape.n_outcomes, priors) for row in u]
        if not len(moving):
            return made
        shift = np.zeros((len(u), len(prior.shift_sd)))
        shift[:, moving] = u[:, own:] * np.array(prior.shift_sd)[moving]
        return [replace(one, shift=by) for one, by in zip(made, shift, strict=True)]

    def integrated(
        priors: tuple[HyperPrior, ...], trend: LearntTrend | None
    ) -> tuple[list[Hyperparameters], Array, Sites, float]:
        def at(u: Array) -> list[Hyperparameters]:
            made = scales_at(u, priors)
            return made if trend is None else [replace(one, trend=trend) for one in made]

        def log_evidence(u: Array) -> Array:
            if few.n == 0:
                return np.zeros(len(u))
            return fit_sites(
                few, shape, prior, grade_scales, at(u), middle, tolerance=0.03, sweeps=15
            ).log_evidence

        # Sites of other scales are near those of the central ones: half of the sweeps.
        middle = fit_sites(few, shape, prior, grade_scales, at(np.zeros((1, dim))))
        points, weight, total = integrate(log_evidence, dim, n_points, n_integration_points)
        start = middle if few is data else None
        return at(points), weight, fit_sites(
            data, shape, prior, grade_scales, at(points), start
        ), total  # fmt: skip

    central = scales_at(np.zeros((1, dim)), learnt.hyper_priors if learnt else hyper_priors)[0]
    if learnt is not None:
        central = replace(central, trend=learnt.trend)
    data = with_input_noise(data, shape, prior, grade_scales, central)
    grade_scales = fitted_cuts(data, shape, prior, grade_scales, central)
    few = data.subsample(HYPERPARAMETER_ROWS)
    scales, weight, sites, total = integrated(hyper_priors, None)
    if learnt is not None:
        beside = integrated(learnt.hyper_priors, learnt.trend)
        odds = np.log([1.0 - learnt.share, learnt.share]) + np.array([total, beside[3]])
        share = np.exp(odds - np.logaddexp(*odds))
        kept = share > LEAST_SHARE
        parts = list(compress(((scales, weight, sites), beside[:3]), kept))
        share = share[kept] / share[kept].sum()
        scales = [one for part in parts for one in part[0]]
        weight = np.concatenate([s * part[1] for s, part in zip(share, parts, strict=True)])
        sites = Sites.joined([part[2] for part in parts])
    return Posterior(data, shape, prior, grade_scales, tuple(scales), weight, sites, hyper_priors)


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
    rounds: int = 2,
) -> tuple[GradeScale | None, ...]:
    """Unequal grade steps: posterior mode of the cuts given the field, accept cut held at zero.

    Alternates between the field at the central scales and the cumulative-link mode with the
    field as offset; neighbouring cuts keep a log-normal prior around the scale's own step.
    """
    if not any(g is not None and g.estimate_steps for g in grade_scales) or data.n == 0:
        return grade_scales
    current = list(grade_scales)
    for _ in range(rounds):
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
