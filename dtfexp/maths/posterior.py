"""The posterior of the latent field and what it says of a new press.

Arrays in, arrays out.  ``Posterior`` holds a few weighted scale settings with the EP sites of each;
predictions are Gaussian within a setting and mixed over settings.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from dtfexp.maths import ceiling, field, looks, luck
from dtfexp.maths.ep import Observations, Sites, propagate
from dtfexp.maths.falling import SOFT_STEP, fallen
from dtfexp.maths.field import Prior, Scales
from dtfexp.maths.observed import Data, Graded
from dtfexp.maths.one_thread import on_one_thread
from dtfexp.maths.ordinal import cumulative_mode
from dtfexp.maths.points import FieldShape, Points
from dtfexp.maths.scales import SCALE_PRIORS, ScalePrior, integrate, n_dimensions, to_scales

Array = NDArray[np.float64]
Ints = NDArray[np.int_]
Bools = NDArray[np.bool_]

# Rows from which the scales are found.  With more, evenly spread presses stand for all: the work
# grows with the cube of the rows, and with fewer the scales are only less well known.
SCALE_ROWS = 400
# Numbers in the covariances that are worked on at once.
_AT_ONCE = 4e6
# Points that are worked on at once: of a grid many, to share its levels; of scattered ones few
# enough to stay in the processor's own memory.
_GRID_AT_ONCE, _SCATTERED_AT_ONCE = 8192, 1024
# Neighbouring grades are about equally far apart: sd of the log of a step.
STEP_SD = 0.3


@dataclass(frozen=True)
class Posterior:
    """Weighted scale settings with their sites; everything a prediction needs."""

    data: Data
    shape: FieldShape
    prior: Prior
    graded: tuple[Graded | None, ...]
    scales: tuple[Scales, ...]
    weight: Array
    sites: Sites
    scale_priors: tuple[ScalePrior, ...] = SCALE_PRIORS

    @property
    def settled(self) -> bool:
        """Whether the updates of every scale setting settled, with every integral in range."""
        return bool(self.sites.converged.all() and self.sites.resolved.all())

    def shift(self) -> tuple[Array, Array] | None:
        """How far each setting has moved, mean and sd (d,) in codes; None: no change was looked
        for."""
        found = [s.shift for s in self.scales if s.shift is not None]
        if not found:
            return None
        moved = np.array(found)
        mean = self.weight @ moved
        return mean, np.sqrt(self.weight @ (moved - mean) ** 2)

    def alike(self, j: int) -> Array:
        """Correlation (O, O) of the outcomes' fields at scale setting ``j``."""
        return field.outcome_correlation(self.shape, self.scales[j].alike, self.prior)

    def rows_alike(self, j: int) -> Array:
        """Correlation (N, O) of what every row of the data holds with the outcomes' fields."""
        return np.asarray(self.data.mix(self.shape.n_outcomes) @ self.alike(j))

    def weights(self, j: int) -> Array:
        """Prediction weights (N, O) at scale setting ``j``; empty when nothing was seen."""
        return np.asarray(self.sites.weights[j][:, None] * self.rows_alike(j))

    def links(self, base: Array, j: int) -> list[Array]:
        """Whitened link (n, N) of points to the data for each outcome, from their prior
        covariance ``base`` (n, N): posterior covariance = prior - link @ link'."""
        return [(base * column) @ self.sites.root[j] for column in self.rows_alike(j).T]

    def place_weights(self, j: int) -> Array:
        """The prediction weights added up by place, (P, O)."""
        return self.data.places.summed(self.weights(j))

    def place_links(self, base: Array, j: int) -> list[Array]:
        """``links`` from the prior covariance ``base`` (n, P) with the places of the data."""
        return [base @ root for root in self._place_roots(j)]

    def drops(self, base: Array, j: int) -> Array:
        """What the data take off the prior covariance of the outcomes (n, O, O): the products of
        ``place_links`` with one another, without making these."""
        roots = self._place_roots(j)
        out = np.empty((len(base), len(roots), len(roots)))
        for o, one in enumerate(roots):
            for p in range(o, len(roots)):
                out[:, o, p] = ((base @ (one @ roots[p].T)) * base).sum(axis=1)
                out[:, p, o] = out[:, o, p]
        return out

    def _place_roots(self, j: int) -> list[Array]:
        """The sites' roots added up by place for each outcome, O of (P, N)."""
        root, places = self.sites.root[j], self.data.places
        return [places.summed(column[:, None] * root) for column in self.rows_alike(j).T]

    def ceiling(self, j: int) -> Array:
        """Ceiling of quality (O,) at scale setting ``j``; measured outcomes have none."""
        return ceilings(self.graded, self.scales[j])

    def quality(self, latent: Array, j: int) -> Array:
        """What fields (..., O) are worth as quality (:mod:`dtfexp.maths.ceiling`); after more
        washes never more than after fewer."""
        return ceiling.quality(fallen(latent, self.shape.falls), self.ceiling(j))

    def steepness(self, latent: Array, j: int) -> Array:
        """How much quality gains for a small gain of the fields (..., O)."""
        return ceiling.steepness(fallen(latent, self.shape.falls), self.ceiling(j))

    def new_luck(self, j: int) -> tuple[float, Array]:
        """Variance a NEW press adds: shared by all outcomes, and each outcome's own (O,)."""
        return luck.luck_split(self.scales[j], self.prior, bool(np.any(self.data.block >= 0)))


def observations(data: Data, graded: tuple[Graded | None, ...]) -> Observations:
    """Grade intervals (lower, upper] on the latent scale for every row."""
    lower = np.full(data.n, -np.inf)
    upper = np.full(data.n, np.inf)
    for o, scale in enumerate(graded):
        if scale is None:
            continue
        rows = (data.outcome == o) & (data.grade >= 0)
        edges = np.concatenate(([-np.inf], scale.cuts, [np.inf]))
        lower[rows] = edges[data.grade[rows]]
        upper[rows] = edges[data.grade[rows] + 1]
    falls = ~data.seen & ~data.looked
    lower[falls] = data.value[falls]
    if data.look is not None:
        lower[data.looked], upper[data.looked] = looks.interval(data.look[data.looked])
    return Observations(lower, upper, np.where(data.seen, data.value, np.nan))


def ceilings(graded: tuple[Graded | None, ...], scales: Scales) -> Array:
    """Ceiling of quality (O,) for each outcome; infinite where it is measured."""
    return np.array([np.inf if scale is None else scales.ceiling for scale in graded])


def _row_ceilings(data: Data, graded: tuple[Graded | None, ...], scales: Scales) -> Array:
    return np.where(data.seen, ceilings(graded, scales)[data.outcome], np.inf)


def data_covariance(data: Data, shape: FieldShape, scales: Scales, prior: Prior) -> Array:
    """Prior covariance (N, N) of the observed latent values, luck included."""
    base = field.covariance(data.at, data.at, shape, scales, prior)
    mix = data.mix(shape.n_outcomes)
    out = base * (mix @ field.outcome_correlation(shape, scales.alike, prior) @ mix.T)
    shared = luck.luck_covariance(
        data.outcome, data.load, data.round_, data.block, data.press, scales, prior
    )
    # What is known of washing is known of the field, whatever the luck.
    out += shared * data.seen[:, None] * data.seen
    if data.look is not None:
        out += looks.EYE**2 * np.outer(data.looked, data.looked)
    if data.slip is not None:
        out += luck.slip_covariance(data.slip, data.press)
    return np.asarray(out + 1e-8 * np.eye(data.n))


def data_mean(data: Data, shape: FieldShape, scales: Scales, prior: Prior) -> Array:
    """Prior mean (N,) of the observed latent values: differences of two outcomes have none."""
    return field.trade_mean(data.at, shape, scales, prior) * (data.seen | data.looked)


def run_sites(
    data: Data,
    shape: FieldShape,
    prior: Prior,
    graded: tuple[Graded | None, ...],
    scales: list[Scales],
    **options: float,
) -> Sites:
    """Sites of the data at each set of scales; many rows are worked on a few sets at a time."""
    chunk = max(1, int(_AT_ONCE // max(1, data.n**2)))
    if len(scales) > chunk:
        parts = [
            run_sites(data, shape, prior, graded, scales[i : i + chunk], **options)
            for i in range(0, len(scales), chunk)
        ]
        joined = {
            f.name: np.concatenate([getattr(part, f.name) for part in parts]) for f in fields(Sites)
        }
        return Sites(**joined)
    covariance = np.array([data_covariance(data, shape, s, prior) for s in scales])
    mean = np.array([data_mean(data, shape, s, prior) for s in scales])
    known = np.where(data.looked, looks.NOISE, SOFT_STEP)
    noise = np.array([np.where(data.seen, s.noise[data.outcome], known) for s in scales])
    count = len(scales)
    return propagate(
        covariance.reshape(count, data.n, data.n),
        mean.reshape(count, data.n),
        noise.reshape(count, data.n),
        observations(data, graded),
        ceiling=(
            np.array([_row_ceilings(data, graded, s) for s in scales]).reshape(count, data.n)
            if any(np.isfinite(s.ceiling) for s in scales)
            else None
        ),
        **options,  # type: ignore[arg-type]
    )


@on_one_thread
def infer(
    data: Data,
    shape: FieldShape,
    graded: tuple[Graded | None, ...],
    prior: Prior,
    *,
    scale_priors: tuple[ScalePrior, ...] = SCALE_PRIORS,
    n_points: int | None = None,
    keep: int = 16,
) -> Posterior:
    """The whole inference: unequal grade steps, then scales integrated, then the sites kept."""
    own = n_dimensions(shape.n_outcomes)
    # A change moved some settings by an unknown amount: one more scale for each.
    moving = np.flatnonzero(prior.moves)
    dim = own + len(moving)
    if n_points is None:
        # The work grows with N^3.  Half as many still come within a tenth of a posterior sd.
        n_points = 64 if data.seen.sum() <= 80 else 32

    def scales_at(u: Array) -> list[Scales]:
        made = [to_scales(row, shape.n_outcomes, scale_priors) for row in u]
        if not len(moving):
            return made
        shift = np.zeros((len(u), len(prior.moves)))
        shift[:, moving] = u[:, own:] * np.array(prior.moves)[moving]
        return [replace(one, shift=by) for one, by in zip(made, shift, strict=True)]

    def log_evidence(u: Array) -> Array:
        if few.n == 0:
            return np.zeros(len(u))
        return run_sites(
            few, shape, prior, graded, scales_at(u), tolerance=0.03, sweeps=15
        ).log_evidence

    central = scales_at(np.zeros((1, dim)))[0]
    data = with_slip(data, shape, prior, graded, central)
    graded = fitted_steps(data, shape, prior, graded, central)
    few = data.thinned(SCALE_ROWS)
    points, weight = integrate(log_evidence, dim, n_points, keep)
    scales = scales_at(points)
    sites = run_sites(data, shape, prior, graded, scales)
    return Posterior(data, shape, prior, graded, tuple(scales), weight, sites, scale_priors)


def with_slip(
    data: Data,
    shape: FieldShape,
    prior: Prior,
    graded: tuple[Graded | None, ...],
    scales: Scales,
    rounds: int = 2,
) -> Data:
    """The data with what the machine spread did to each press, as far as the field's slope tells.

    A press made near an edge reached another place than its setting said, and its grade moved with
    it.  Left out, that scatter would pass for press noise everywhere, on the flat top as well
    (errors in the inputs by a local slope: McHutchon & Rasmussen 2011, NIPS 24).
    """
    if data.spread is None or data.n == 0 or not np.any(data.spread > 0):
        return data
    out = data
    for _ in range(rounds):
        sites = run_sites(out, shape, prior, graded, [scales], tolerance=0.02)
        alike = field.outcome_correlation(shape, scales.alike, prior)
        weights = sites.weights[0][:, None] * (data.mix(shape.n_outcomes) @ alike)
        gaps = field.spread_gaps(data.at, data.spread, data.at, shape, scales, prior, weights)
        slip = gaps[np.arange(data.n), :, data.outcome] * data.seen[:, None]
        out = replace(data, slip=slip)
    return out


def fitted_steps(
    data: Data,
    shape: FieldShape,
    prior: Prior,
    graded: tuple[Graded | None, ...],
    scales: Scales,
    rounds: int = 2,
) -> tuple[Graded | None, ...]:
    """Unequal grade steps: posterior mode of the cuts given the field, accept cut held at zero.

    Alternates between the field at the central scales and the cumulative-link mode with the
    field as offset; neighbouring cuts keep a log-normal prior around the scale's own step.
    """
    if not any(g is not None and g.learn for g in graded) or data.n == 0:
        return graded
    current = list(graded)
    for _ in range(rounds):
        sites = run_sites(data, shape, prior, tuple(current), [scales], tolerance=0.02)
        for o, (now, nominal) in enumerate(zip(current, graded, strict=True)):
            rows = (data.outcome == o) & (data.grade >= 0)
            if now is None or nominal is None or not now.learn or rows.sum() < 2:
                continue
            noise = scales.noise[o]
            steps = np.diff(nominal.cuts)
            found_mean, top = sites.mean[0, rows], np.asarray(scales.ceiling)
            steep = ceiling.steepness(found_mean, top)
            found = cumulative_mode(
                np.zeros((int(rows.sum()), 0)),
                data.grade[rows],
                len(now.cuts) + 1,
                offset=ceiling.quality(found_mean, top) / noise,
                extra_variance=sites.variance[0, rows] * steep**2 / noise**2,
                step_prior=(float(np.log(steps.mean() / noise)), STEP_SD),
            )
            accept = int(np.argmin(np.abs(nominal.cuts)))
            cuts = found.cuts * noise
            current[o] = replace(now, cuts=cuts - cuts[accept])
    return tuple(current)


@dataclass(frozen=True)
class Latent:
    """Posterior of the field at M points for J scale settings.

    mean (J, M, O); covariance (J, M, O, O) of the field averaged over the machine spread; wander
    (J, M, O, 3 + O) how the spread itself moves it by press (:mod:`dtfexp.maths.wander`).
    """

    mean: Array
    covariance: Array
    wander: Array


@on_one_thread
def predict(post: Posterior, at: Points) -> Latent:
    """Posterior of every outcome's field at new points, for every scale setting."""
    count, n_out, m = len(post.scales), post.shape.n_outcomes, at.n
    mean = np.empty((count, m, n_out))
    cov = np.empty((count, m, n_out, n_out))
    wander = np.zeros((count, m, n_out, 3 + n_out))
    chunk = _SCATTERED_AT_ONCE if at.scattered else _GRID_AT_ONCE
    for start in range(0, m, chunk):
        rows = np.arange(start, min(m, start + chunk))
        part = at.take(rows)
        for j in range(count):
            mean[j, rows], cov[j, rows], wander[j, rows] = _predict_one(post, part, j)
    return Latent(mean, cov, wander)


def _predict_one(post: Posterior, at: Points, j: int) -> tuple[Array, Array, Array]:
    own = field.variance(at, post.shape, post.scales[j], post.prior)
    mean, base, wander = seen_from(post, at, j)
    cov = own[:, None, None] * post.alike(j)[None] - post.drops(base, j)
    index = np.arange(post.shape.n_outcomes)
    cov[:, index, index] = np.maximum(cov[:, index, index], 1e-9)
    return mean, cov, wander


def seen_from(post: Posterior, at: Points, j: int) -> tuple[Array, Array, Array]:
    """At scale setting ``j``: posterior mean (M, O) of the fields at points, their prior covariance
    (M, P) with the places of the data, and how the machine spread moves them (M, O, 3 + O)."""
    scales, shape, prior = post.scales[j], post.shape, post.prior
    places, weights = post.data.places.at, post.place_weights(j)
    base, wander = field.covariance_and_wander(at, places, shape, scales, prior, weights)
    return field.trade_mean(at, shape, scales, prior)[:, None] + base @ weights, base, wander


@on_one_thread
def at_central_scales(post: Posterior) -> Posterior:
    """The same posterior at one set of scales, the weighted middle: for choosing, not for
    promising."""

    def middle(values: list[float]) -> float:
        return float(np.exp(post.weight @ np.log(values)))

    shift = post.shift()
    scales = Scales(
        amplitude=middle([s.amplitude for s in post.scales]),
        length=middle([s.length for s in post.scales]),
        interplay=middle([s.interplay for s in post.scales]),
        load_sd=middle([s.load_sd for s in post.scales]),
        round_sd=middle([s.round_sd for s in post.scales]),
        alike=float(post.weight @ np.array([s.alike for s in post.scales])),
        ceiling=middle([s.ceiling for s in post.scales]),
        dose=float(post.weight @ np.array([s.dose for s in post.scales])),
        noise=np.exp(post.weight @ np.log(np.array([s.noise for s in post.scales]))),
        shift=None if shift is None else shift[0],
    )
    sites = run_sites(post.data, post.shape, post.prior, post.graded, [scales])
    return replace(post, scales=(scales,), weight=np.ones(1), sites=sites)
