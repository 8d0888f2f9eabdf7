"""The model of the fit, written a second time for a general sampler: nothing of ``dtfexp`` is used.

Needs numpyro (``pip install numpyro``), which is no dependency of the project or of its tests.
Hamiltonian Monte Carlo with no U-turn: Hoffman & Gelman 2014, J. Mach. Learn. Res. 15:1593.  The
field is sampled as mean + Cholesky factor times standard normals, the luck of every load, round and
press and the scale parameters as standard normals, all together; neither expectation propagation
nor a set of scale points comes in.  A grade reads the field's quality, under the ceiling, plus luck
and noise.

A case is a dictionary of plain lists: ``stage`` ("cure", "press", "peel") and ``word`` of each
setting, ``trade_off`` (pairs of settings that add up to a dose), ``cuts`` of each outcome in grade
units above the acceptance cut (none: measured), and one entry for each grade seen in ``settings``,
``fabric``, ``outcome``, ``load``, ``round``, ``press``, ``grade``, ``value``; ``points`` and
``points_fabric`` are where answers are wanted.  Settings are exact: no machine spread.  With
``series`` (a code for each outcome) and ``falls`` (earlier outcome, later outcome, least) some
outcomes are one quality after more washes: their fields are tied, and at every place pressed the
earlier one exceeds the later one by ``least``.
"""

from __future__ import annotations

# ruff: noqa: E402  (threads are set before the libraries read it)
import os
from typing import Any

# One thread: matrices are small, and threads that wait for one another cost a hundredfold.
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
os.environ.setdefault(
    "XLA_FLAGS", "--xla_cpu_multi_thread_eigen=false intra_op_parallelism_threads=1"
)

import jax
import jax.numpy as jnp
import numpy as np
import numpyro
import numpyro.distributions as dist
from jax.scipy.special import log_ndtr
from numpyro.diagnostics import effective_sample_size, gelman_rubin
from numpyro.infer import MCMC, NUTS
from scipy.special import ndtr

jax.config.update("jax_enable_x64", True)

SOFT = 0.4  # grade units over which the top rounds off
PRESS_SHARE = 0.10  # sd of what one press does to all its outcomes, grade units
SOFT_STEP = 0.05  # softness of "does not rise with washing", grade units
WASH_TIE = 0.7  # of what outcomes do not share anyway, the share of one wash series
SCALES = 9  # scale parameters before the own noise of each outcome


def scales_of(u: Any, n_outcomes: int) -> dict[str, Any]:
    """Scale parameters from independent standard normals (9 + outcomes,)."""
    common = 0.85 * u[8] + 0.53 * u[SCALES : SCALES + n_outcomes]
    return {
        "amplitude": jnp.exp(0.40 * u[0]),
        "length": jnp.maximum(0.5 * jnp.exp(0.35 * u[1]), 0.2),
        "interplay": 0.8 * jnp.exp(0.40 * u[2]),
        "load": 0.13 * jnp.exp(0.40 * u[3]),
        "round": 0.13 * jnp.exp(0.40 * u[4]),
        "alike": 0.95 * jax.nn.sigmoid(u[5]),
        "ceiling": 1.5 * jnp.exp(0.20 * u[6]),
        "dose": 0.95 * jax.nn.sigmoid(-0.8 + 2.1 * u[7]),
        "noise": 0.27 * jnp.exp(0.28 * common),
    }


def columns_of(case: dict[str, Any]) -> list[tuple[tuple[int, ...], bool, bool]]:
    """For each column the settings it sums, whether it is a word, and whether it is of the cure.

    The settings come first; each trade-off pair adds a column, the dose: both settings' sum.
    """
    cure = [stage == "cure" for stage in case["stage"]]
    out = [((i,), bool(word), cure[i]) for i, word in enumerate(case["word"])]
    return out + [((i, j), False, cure[i]) for i, j in case["trade_off"]]


def shares_of(case: dict[str, Any], s: dict[str, Any]) -> list[Any]:
    """What counts of each column: a dose takes its share, its two settings keep the rest."""
    paired = {i for pair in case["trade_off"] for i in pair}
    out = [1.0 - s["dose"] if i in paired else 1.0 for i in range(len(case["word"]))]
    return out + [s["dose"] for _ in case["trade_off"]]


def mean_of(x: Any, case: dict[str, Any], s: dict[str, Any]) -> Any:
    """Prior mean (n,): falls away from the usual settings and from the usual dose."""
    out = jnp.full(x.shape[0], 0.7)
    for (of, word, _), share in zip(columns_of(case), shares_of(case, s), strict=True):
        if not word:
            out = out - s["amplitude"] * 1.6 * share * sum(x[:, i] for i in of) ** 2
    return out


def kernel(a: Any, fabric_a: Any, b: Any, fabric_b: Any, case: dict[str, Any], s: Any) -> Any:
    """Prior covariance (n_a, n_b) of one outcome's field: every pair of columns written out."""
    same = (fabric_a[:, None] == fabric_b[None, :]) * 1.0

    def pooled(rho: float) -> Any:
        return rho + (1.0 - rho) * same

    columns = columns_of(case)
    alone, together = [], []
    for (of, word, _), share in zip(columns, shares_of(case, s), strict=True):
        p, q = sum(a[:, i] for i in of)[:, None], sum(b[:, i] for i in of)[None, :]
        if word:
            alone.append(share * 0.64 * (p == q))
            together.append(share * 1.0 * (p == q))
            continue
        near = jnp.exp(-((p - q) ** 2) / (2.0 * s["length"] ** 2))
        alone.append(share * (0.81 * p * q + 0.36 * p**2 * q**2 + 0.09 * near))
        together.append(share * (0.6 * p * q + 0.3 * near))
    out = 0.0
    cure = [of_cure for _, _, of_cure in columns]
    for i in range(len(cure)):
        out = out + alone[i] * pooled(0.93 if cure[i] else 0.6)
        for j in range(i):
            weight = s["interplay"] ** 2 * (1.0 if cure[i] == cure[j] else 0.25)
            both_cure = cure[i] and cure[j]
            out = out + weight * together[i] * together[j] * pooled(0.93 if both_cure else 0.6)
    return s["amplitude"] ** 2 * out + 0.81 * pooled(0.5)


def rows_of(case: dict[str, Any]) -> tuple[Any, Any, Any, Any]:
    """Settings, fabric, outcomes held (N, O) and least gap (T,) of all rows: the N - T graded ones,
    then for each fall the gap between two outcomes at every place pressed."""
    x, fabric, outcome = (np.array(case[k]) for k in ("settings", "fabric", "outcome"))
    falls = case.get("falls", [])
    both = np.column_stack([x, fabric])
    places = both[np.sort(np.unique(both, axis=0, return_index=True)[1])]
    held, least = [np.eye(len(case["cuts"]))[outcome]], []
    for earlier, later, by in falls:
        gap = np.zeros((len(places), len(case["cuts"])))
        gap[:, earlier], gap[:, later] = 1.0, -1.0
        held.append(gap)
        least += [by] * len(places)
    for _ in falls:
        x = np.concatenate([x, places[:, :-1]])
        fabric = np.concatenate([fabric, places[:, -1].astype(int)])
    return x, fabric, np.concatenate(held), np.array(least)


def alike_of(case: dict[str, Any], s: dict[str, Any]) -> Any:
    """Correlation (O, O) of the outcomes' fields."""
    own = np.eye(len(case["cuts"]))
    codes = np.array(case.get("series", range(len(own))))
    tied = WASH_TIE * np.equal.outer(codes, codes) + (1.0 - WASH_TIE) * own
    return s["alike"] + (1.0 - s["alike"]) * tied


def covariance_of(case: dict[str, Any], s: dict[str, Any]) -> Any:
    """Prior covariance (N, N) of the field where it was graded, and of the gaps between washes."""
    x, fabric, held, _ = rows_of(case)
    out = kernel(jnp.array(x), fabric, jnp.array(x), fabric, case, s)
    return out * (held @ alike_of(case, s) @ held.T) + 1e-8 * jnp.eye(len(x))


def luck_of(case: dict[str, Any], s: dict[str, Any], w: Any) -> Any:
    """Luck of every grade from the standard normals ``w`` of the groups (:func:`lucky_groups`)."""
    sizes = {"load": s["load"] * 0.5**0.5, "round": s["round"] * 0.5**0.5, "press": PRESS_SHARE}
    out = 0.0
    for name, index, start in lucky_groups(case)[0]:
        out = out + sizes[name] * w[start + index]
    return out


def lucky_groups(case: dict[str, Any]) -> tuple[list[tuple[str, Any, int]], int]:
    """What kind of luck, which of its draws each grade has, and where these start; and how many
    draws there are: one for a load or round, one more for each outcome of it, one for a press."""
    outcome, found, start = np.array(case["outcome"]), [], 0
    for name in ("load", "round", "press"):
        for own in (False, True) if name != "press" else (False,):
            code = np.array(case[name]) * len(case["cuts"]) + own * outcome
            groups, index = np.unique(code, return_inverse=True)
            found.append((name, index.reshape(-1), start))
            start += len(groups)
    return found, start


def row_means(case: dict[str, Any], s: dict[str, Any]) -> Any:
    """Prior mean (N,) of the rows: none for a gap between washes."""
    gaps = len(rows_of(case)[3])
    return jnp.concatenate([mean_of(jnp.array(case["settings"]), case, s), jnp.zeros(gaps)])


def prior_at(case: dict[str, Any], seed: int) -> dict[str, Any]:
    """The prior of some rows of a case at scales drawn at random, for an exact comparison."""
    n_outcomes = len(case["cuts"])
    u = np.round(np.random.default_rng(seed).normal(size=SCALES + n_outcomes), 3)
    s = scales_of(jnp.array(u), n_outcomes)
    # The first twelve, with the last six where these are gaps between washes.
    rows = np.r_[0:12, -6:0] + len(rows_of(case)[0]) * np.r_[np.zeros(12, int), np.ones(6, int)]
    rows = rows if case.get("falls") else rows[:12]
    graded = rows[rows < len(case["outcome"])]
    draws = np.array([luck_of(case, s, w) for w in np.eye(lucky_groups(case)[1])])
    luck_covariance = draws.T @ draws
    exact = {
        "rows": rows,
        "mean": row_means(case, s)[rows],
        "covariance": covariance_of(case, s)[np.ix_(rows, rows)],
        "luck": luck_covariance[np.ix_(graded, graded)],
        "noise": s["noise"],
        "ceiling": s["ceiling"],
    }
    return {"u": u.tolist(), **{k: np.round(np.asarray(v), 6).tolist() for k, v in exact.items()}}


def log_between(low: Any, high: Any) -> Any:
    """log(Phi(high) - Phi(low)), the difference taken in the nearer tail."""
    flip = low > 0
    small = log_ndtr(jnp.where(flip, -high, low))
    large = log_ndtr(jnp.where(flip, -low, high))
    # Safe inside "where": an infinite end has nothing to take away.
    open_end = jnp.isneginf(small)
    gap = jnp.where(open_end, -1.0, jnp.minimum(small - large, -1e-12))
    return large + jnp.where(open_end, 0.0, jnp.log(-jnp.expm1(gap)))


def model(case: dict[str, Any]) -> None:
    """Field, luck and scales as standard normals; grades read quality under the ceiling, and luck
    beside it."""
    n_outcomes, n = len(case["cuts"]), len(rows_of(case)[0])
    u = numpyro.sample("u", dist.Normal(jnp.zeros(SCALES + n_outcomes), 1.0).to_event(1))
    z = numpyro.sample("z", dist.Normal(jnp.zeros(n), 1.0).to_event(1))
    w = numpyro.sample("w", dist.Normal(jnp.zeros(lucky_groups(case)[1]), 1.0).to_event(1))
    s = scales_of(u, n_outcomes)
    root = jnp.linalg.cholesky(covariance_of(case, s))
    field = row_means(case, s) + root @ z
    outcome = np.array(case["outcome"])
    least = rows_of(case)[3]
    field, gap = field[: len(outcome)], field[len(outcome) :]
    if len(least):
        numpyro.factor("falls", log_ndtr((gap - least) / SOFT_STEP).sum())
    noise, luck = s["noise"][outcome], luck_of(case, s, w)
    graded = np.array([case["cuts"][o] is not None for o in outcome])
    if graded.any():
        low, high = [], []
        for o, grade in zip(outcome[graded], np.array(case["grade"])[graded], strict=True):
            edges = [-40.0, *case["cuts"][o], 40.0]
            low.append(edges[grade])
            high.append(edges[grade + 1])
        top = s["ceiling"]
        quality = top - SOFT * jax.nn.softplus((top - field[graded]) / SOFT) + luck[graded]
        low_z = (np.array(low) - quality) / noise[graded]
        high_z = (np.array(high) - quality) / noise[graded]
        numpyro.factor("grades", log_between(low_z, high_z).sum())
    if not graded.all():
        value = np.array([np.nan if v is None else v for v in case["value"]])[~graded]
        gap = (value - field[~graded] - luck[~graded]) / noise[~graded]
        numpyro.factor("values", (-0.5 * gap**2 - jnp.log(noise[~graded])).sum())


def draw(case: dict[str, Any], warmup: int, samples: int, chains: int, seed: int) -> Any:
    """Draws of ``u``, ``z`` and ``w``, (chains, samples, ...)."""
    kernel_ = NUTS(model, target_accept_prob=0.9)
    mcmc = MCMC(
        kernel_,
        num_warmup=warmup,
        num_samples=samples,
        num_chains=chains,
        chain_method="sequential",
        progress_bar=False,
    )
    mcmc.run(jax.random.PRNGKey(seed), case)
    got = mcmc.get_samples(group_by_chain=True)
    return {k: np.asarray(v) for k, v in got.items()}


def fewest_effective(draws: dict[str, Any]) -> float:
    """Smallest effective sample size, all chains together, of any scale or field coordinate.

    Vehtari et al. 2021, Bayesian Analysis 16:667, ask for 400 before a summary is trusted (memory).
    """
    return min(float(np.min(effective_sample_size(draws[k]))) for k in ("u", "z", "w"))


def answers(case: dict[str, Any], draws: dict[str, Any], seed: int, thin: int = 1) -> Any:
    """Field mean and variance given each draw (C, S, M, O), and its pass rate (C, S, M).

    The field at the points is drawn given the sampled field; the pass rate of a new press takes
    new luck by Gauss-Hermite quadrature.
    """
    n_outcomes = len(case["cuts"])
    points, fabric = jnp.array(case["points"]), jnp.array(case["points_fabric"])
    x, fabric_seen, held, _ = rows_of(case)
    measured = np.array([c is None for c in case["cuts"]])

    # The points are handed in: as constants of the function, thousands take minutes to compile.
    def one(u: Any, z: Any, points: Any, fabric: Any) -> Any:
        s = scales_of(u, n_outcomes)
        root = jnp.linalg.cholesky(covariance_of(case, s))
        base = kernel(points, fabric, jnp.array(x), fabric_seen, case, s)
        own = jax.vmap(lambda p, f: kernel(p[None], f[None], p[None], f[None], case, s)[0, 0])(
            points, fabric
        )
        alike = alike_of(case, s)
        seen = held @ alike
        links = jnp.concatenate([(base * seen[:, o]).T for o in range(n_outcomes)], axis=1)
        solved = jax.scipy.linalg.solve_triangular(root, links, lower=True)
        half = jnp.split(solved, n_outcomes, axis=1)
        centre = mean_of(points, case, s)[:, None] + jnp.stack([h.T @ z for h in half], axis=1)
        drop = jnp.stack([jnp.stack([(g * h).sum(axis=0) for h in half], -1) for g in half], -1)
        return centre, own[:, None, None] * alike - drop, s

    # One draw at a time: batches of solves side by side wait for one another's threads for ever.
    step = jax.jit(lambda u, z, *at: jax.lax.map(lambda p: one(*p, *at), (u, z)))
    u, z = draws["u"][:, ::thin], draws["z"][:, ::thin]
    chains, samples = u.shape[:2]
    mean, cov, s = step(u.reshape(-1, u.shape[-1]), z.reshape(-1, z.shape[-1]), points, fabric)
    mean, cov = np.asarray(mean), np.asarray(cov)
    s = {k: np.asarray(v) for k, v in s.items()}
    rng = np.random.default_rng(seed)
    root = np.linalg.cholesky(cov + 1e-10 * np.eye(n_outcomes))
    field = mean + np.einsum("smop,smp->smo", root, rng.normal(size=mean.shape))
    top = s["ceiling"][:, None, None]
    fallen = field.copy()
    for earlier, later, least in case.get("falls", []):
        fallen[..., later] = np.minimum(fallen[..., later], fallen[..., earlier] - least)
    capped = top - SOFT * np.logaddexp(0.0, (top - fallen) / SOFT)
    quality = np.where(measured, fallen, capped)
    luck = 0.5 * (s["load"] ** 2 + s["round"] ** 2)
    shared = np.sqrt(luck + PRESS_SHARE**2)[:, None, None]
    own = np.sqrt(luck[:, None] + s["noise"] ** 2)[:, None, :]
    nodes, weights = np.polynomial.hermite_e.hermegauss(15)
    passing = sum(
        w * ndtr((quality + shared * t) / own).prod(axis=-1)
        for t, w in zip(nodes, weights / weights.sum(), strict=True)
    )
    variance = np.diagonal(cov, axis1=-2, axis2=-1)
    shape = (chains, samples)
    return (
        mean.reshape(*shape, *mean.shape[1:]),
        variance.reshape(*shape, *variance.shape[1:]),
        field.reshape(*shape, *field.shape[1:]),
        np.asarray(passing).reshape(*shape, -1),
    )


def summary(case: dict[str, Any], draws: dict[str, Any], seed: int, thin: int) -> dict[str, Any]:
    """Posterior mean and sd of the field (M, O), pass rate (M,), and their Monte Carlo errors."""
    mean, variance, _, passing = answers(case, draws, seed, thin)

    def error(values: Any) -> Any:
        flat = values.reshape(values.shape[0], values.shape[1], -1)
        ess = effective_sample_size(flat)
        return (flat.std(axis=(0, 1)) / np.sqrt(ess)).reshape(values.shape[2:])

    centre = mean.mean(axis=(0, 1))
    square = variance + (mean - centre) ** 2
    sd = np.sqrt(square.mean(axis=(0, 1)))
    r_hat = max(float(np.max(gelman_rubin(draws[k]))) for k in ("u", "z", "w"))

    def plain(values: Any) -> Any:
        return np.round(np.asarray(values), 5).tolist()

    return {
        "mean": plain(centre),
        "mean_error": plain(error(mean)),
        "sd": plain(sd),
        "sd_error": plain(error(square) / (2.0 * sd)),
        "pass_rate": plain(passing.mean(axis=(0, 1))),
        "pass_rate_error": plain(error(passing)),
        "r_hat": round(r_hat, 4),
        "draws": int(draws["u"].shape[0] * draws["u"].shape[1]),
    }
