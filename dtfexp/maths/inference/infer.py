"""Inference: the hyperparameters integrated, the sites kept, from data to :class:`Posterior`."""

from __future__ import annotations

from dataclasses import replace
from itertools import compress

import numpy as np
from numpy.typing import NDArray

from dtfexp.maths.field.parameters import Hyperparameters, Prior
from dtfexp.maths.field.points import FieldShape
from dtfexp.maths.field.trend import LearntTrend
from dtfexp.maths.inference import wrong_grades
from dtfexp.maths.inference.hyperparameters import (
    EYE_SHARE,
    HYPER_PRIORS,
    HyperPrior,
    LearntPrior,
    Normal,
    integrate,
    integration_points,
    n_dimensions,
    to_hyperparameters,
)
from dtfexp.maths.inference.observations import Data, GradeScale
from dtfexp.maths.inference.posterior import Posterior
from dtfexp.maths.inference.single_thread import single_threaded
from dtfexp.maths.inference.site_fitting import (
    Work,
    fit_settled_sites,
    fit_sites,
    fitted_cuts,
    grades_of,
    in_turn,
    with_input_noise,
)
from dtfexp.maths.propagation.ep import Sites

Array = NDArray[np.float64]

# Rows from which the scales are found, and first sought.  With more, evenly spread presses stand
# for all: the work grows with the cube of the rows, and with fewer the scales are only less well
# known.
HYPERPARAMETER_ROWS, FIRST_ROWS = 240, 80
INTEGRATION_POINTS = 16
# A prior less likely than this, the data seen, is left out: every prior kept costs time.
LEAST_SHARE = 0.01


@single_threaded
def infer(
    data: Data,
    shape: FieldShape,
    grade_scales: tuple[GradeScale | None, ...],
    prior: Prior,
    *,
    hyper_priors: tuple[HyperPrior, ...] = HYPER_PRIORS,
    learnt: LearntPrior | None = None,
    work: Work = in_turn,
) -> Posterior:
    """Infer: estimate unequal grade steps, integrate the scales, then keep the sites.

    ``learnt``: beside the general prior, in a mixture of both whose shares the data revise;
    ``work``: does independent pieces, as side by side.
    METHODS.md, equation (39).
    """
    own = n_dimensions(shape.n_outcomes)
    # A change moved some settings by an unknown amount: one more scale for each.
    moving = np.flatnonzero(prior.shift_sd)
    judged_again = not data.is_first.all()
    dim = own + len(moving) + judged_again
    # The work grows with N^3.  Half as many still come within a tenth of a posterior sd.
    n_points = 64 if data.is_observed.sum() <= 80 else 32

    def scales_at(u: Array, priors: tuple[HyperPrior, ...]) -> list[Hyperparameters]:
        made = [to_hyperparameters(row, shape.n_outcomes, priors) for row in u]
        if judged_again:
            made = [
                replace(one, eye_share=EYE_SHARE.at(at))
                for one, at in zip(made, u[:, -1], strict=True)
            ]
        if not len(moving):
            return made
        shift = np.zeros((len(u), len(prior.shift_sd)))
        shift[:, moving] = u[:, own : own + len(moving)] * np.array(prior.shift_sd)[moving]
        return [replace(one, shift=by) for one, by in zip(made, shift, strict=True)]

    def integrated(
        priors: tuple[HyperPrior, ...], trend: LearntTrend | None
    ) -> tuple[list[Hyperparameters], Array, Sites, float]:
        def at(u: Array) -> list[Hyperparameters]:
            made = scales_at(u, priors)
            return made if trend is None else [replace(one, trend=trend) for one in made]

        def integrated_over(some: Data, start: Normal | None) -> tuple[Normal, float]:
            # Sites of other scales are near those of the central ones: half of the sweeps.
            centre = np.zeros((1, dim)) if start is None else start.centre[None]
            middle = fit_sites(some, shape, prior, grade_scales, at(centre)).start()
            grades = grades_of(some, grade_scales)

            def log_evidence(u: Array) -> Array:
                if some.n == 0:
                    return np.zeros(len(u))
                found = fit_settled_sites(
                    some, shape, prior, grade_scales, at(u), middle, work, tolerance=0.03, sweeps=15
                )
                evidence = wrong_grades.integrated_log_evidence(found, grades, prior)
                # The evidence of sites that still move may be any number.
                return np.where(found.converged, evidence, np.nan)

            return integrate(log_evidence, dim, n_points, start)

        # Large data: what few rows say of the scales is where to look with many.
        first = integrated_over(subsample(data, FIRST_ROWS), None)[0] if is_large else None
        found, total = integrated_over(few, first)
        centre = at(found.centre[None])
        middle = fit_sites(data, shape, prior, grade_scales, centre, tolerance=2e-3)
        share = wrong_grades.expected_share(middle, grades_of(data, grade_scales), prior)
        points, weight = integration_points(found, INTEGRATION_POINTS)
        made = [replace(one, wrong_share=share) for one in at(points)]
        # Of many rows pass rates stand still long before the evidence does.
        tolerance, start = 2e-3 if is_large else 1e-4, middle.start()
        sites = fit_settled_sites(
            data, shape, prior, grade_scales, made, start, work, tolerance=tolerance, sweeps=60
        )
        return made, weight, sites, total

    central = scales_at(np.zeros((1, dim)), learnt.hyper_priors if learnt else hyper_priors)[0]
    if learnt is not None:
        central = replace(central, trend=learnt.trend)
    data = with_input_noise(data, shape, prior, grade_scales, central)
    grade_scales = fitted_cuts(data, shape, prior, grade_scales, central)
    few = subsample(data, HYPERPARAMETER_ROWS)
    is_large = few is not data
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


@single_threaded
def at_central_hyperparameters(post: Posterior) -> Posterior:
    """Return the posterior at the weighted middle of the scales: to choose, not to promise.

    Of a mixture of two priors, the middle under the likelier one.
    """
    points, weights = post.integration_points, post.weight
    of_learnt = np.array([s.trend is not None for s in points])
    likelier = of_learnt == (weights @ of_learnt > 0.5)
    if not likelier.all():
        points = tuple(compress(points, likelier))
        weights = weights[likelier] / weights[likelier].sum()

    def middle(values: list[float]) -> float:
        return float(np.exp(weights @ np.log(values)))

    shift = None if points[0].shift is None else weights @ np.array([s.shift for s in points])
    eye = [s.eye_share for s in points if s.eye_share is not None]
    scales = Hyperparameters(
        amplitude=middle([s.amplitude for s in points]),
        length=middle([s.length for s in points]),
        interaction=middle([s.interaction for s in points]),
        load_sd=middle([s.load_sd for s in points]),
        round_sd=middle([s.round_sd for s in points]),
        outcome_correlation=float(weights @ np.array([s.outcome_correlation for s in points])),
        ceiling=middle([s.ceiling for s in points]),
        dose_share=float(weights @ np.array([s.dose_share for s in points])),
        noise=np.exp(weights @ np.log(np.array([s.noise for s in points]))),
        shift=shift,
        trend=points[0].trend,
        eye_share=float(weights @ np.array(eye)) if eye else None,
        wrong_share=points[0].wrong_share,
    )
    sites = fit_sites(post.data, post.shape, post.prior, post.grade_scales, [scales])
    return replace(post, integration_points=(scales,), weight=np.ones(1), sites=sites)


def subsample(data: Data, most: int) -> Data:
    """Return the data with at most about ``most`` rows: whole presses, spread evenly.

    Their monotonicity rows are kept.
    """
    if data.n <= most:
        return data
    made = np.unique(data.press[data.is_observed])
    count = min(max(int(most * len(made) / data.n), 1), len(made))
    kept = made[np.linspace(0, len(made) - 1, count).astype(int)]
    chosen = np.isin(data.press, kept) & data.is_observed
    place = data.design_points.index_of_row
    told = ~data.is_observed & ~data.is_cure_look & np.isin(place, place[chosen])
    looks = np.flatnonzero(data.is_cure_look)
    told[looks[np.linspace(0, len(looks) - 1, int(most * len(looks) / data.n)).astype(int)]] = True
    return data.rows(np.flatnonzero(chosen | told))
