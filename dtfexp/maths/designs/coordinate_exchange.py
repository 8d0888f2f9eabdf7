"""Optimal strip-plot plans by coordinate exchange: one setting of a press, load or round at a time.

The information is that of generalised least squares, M = X' V^-1 X, with batch effects of loads and
rounds in V, so a cure setting counts once per load and not once per coupon. Many random starts are
improved in parallel. A change of one press changes M by a matrix of rank two, a change of a load or
round of s presses by one of rank 2s, so no new inverse is needed.

Sources: Meyer & Nachtsheim (1995), Technometrics 37:60 (coordinate exchange); Jones & Goos (2007),
Applied Statistics 56:347 (exchange for split-plots); Arnouts, Goos & Jones (2010), Quality and
Reliability Engineering International 26 (strip-plots); DuMouchel & Jones (1994), Technometrics
36:37 (a ridge for singular starts). All from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from dtfexp.maths.linear.model_terms import Terms, inverse

Array = NDArray[np.float64]
Ints = NDArray[np.int_]
Bools = NDArray[np.bool_]

_RIDGE = 1e-5
_GAIN_TOLERANCE = 1e-9
_MOST_PASSES = 60
_PERTURBED = 8
# Starts improved at once.
_TOGETHER = 64
"""Settings redrawn by one perturbation: enough to leave a local optimum, and few."""
_VIOLATION_COST = 1e6
"""Penalty of a press that is not permitted, larger than any criterion value."""


@dataclass(frozen=True, eq=False)
class Task:
    """The optimisation task: n presses, k settings.

    ``levels``: per setting (L, columns), the coded columns of its values. ``group`` (n, k): presses
    of equal number in a column share that setting. ``allowed``: per setting (n, L), the values
    allowed for each press. ``precision`` (n, n): inverse of the presses' covariance. ``earlier``
    (terms.size, terms.size): information of earlier presses. ``moments``: mean of f f' over the
    range, for the least mean prediction variance (I); None for the greatest determinant (D).
    ``permitted``: with an axis per setting, False for forbidden combinations; or None.
    """

    terms: Terms
    levels: tuple[Array, ...]
    group: Ints
    allowed: tuple[Bools, ...]
    precision: Array
    earlier: Array
    moments: Array | None = None
    permitted: Bools | None = None

    @property
    def n(self) -> int:
        """The number of presses."""
        return len(self.group)


@dataclass(frozen=True, eq=False)
class SearchResult:
    """The best solution of a task.

    ``index`` (n, k) into each setting's levels; ``value``: log-determinant (D) or minus the mean
    prediction variance (I), minus infinity where terms are not estimable; ``violations``: presses
    that are not permitted; ``tops`` (most, n, k): the best few solutions, best first.
    """

    index: Ints
    value: float
    violations: int
    tops: Ints


def search(
    task: Task,
    starts: int,
    rng: np.random.Generator,
    begin: Ints | None = None,
    most: int = 4,
    kicks: int = 0,
) -> SearchResult:
    """Return the best of ``starts`` random starts, or of ``begin`` (starts, n, k).

    Each is improved until no single change helps, then perturbed ``kicks`` times, keeping
    improvements.
    """
    if starts < 1:
        raise ValueError(f"starts is {starts}; give 1 or more")
    given = _random(task, starts, rng) if begin is None else begin
    improved, values, broken = [], [], []
    for at in range(0, len(given), _TOGETHER):
        chunk = _Chunk(task, given[at : at + _TOGETHER])
        chunk.improve()
        for _ in range(kicks):
            chunk.perturb(rng)
        improved.append(chunk.index)
        values += [value_of(task, index) for index in chunk.index]
        broken += chunk.violations().tolist()
    fillings = np.concatenate(improved)
    order = sorted(range(len(values)), key=lambda i: (broken[i], -values[i]))
    top = order[0]
    return SearchResult(fillings[top], values[top], broken[top], fillings[order[:most]])


def model_matrix(task: Task, index: Ints) -> Array:
    """Return model columns (..., n, terms.size) of level numbers (..., n, k)."""
    base = [columns[index[..., f]] for f, columns in enumerate(task.levels)]
    return task.terms.expand(np.concatenate(base, axis=-1))


def value_of(task: Task, index: Ints) -> float:
    """Return the criterion of one solution (n, k); see ``SearchResult.value``."""
    x = model_matrix(task, index)
    information = x.T @ task.precision @ x + task.earlier
    if np.linalg.matrix_rank(information, hermitian=True) < len(information):
        return -np.inf
    if task.moments is None:
        return float(np.linalg.slogdet(information)[1])
    return -float(np.trace(np.linalg.solve(information, task.moments)))


def _random(task: Task, starts: int, rng: np.random.Generator) -> Ints:
    index = np.zeros((starts, *task.group.shape), dtype=int)
    for f, allowed in enumerate(task.allowed):
        for number in np.unique(task.group[:, f]):
            members = task.group[:, f] == number
            choices = np.flatnonzero(allowed[members].all(axis=0))
            index[:, members, f] = rng.choice(choices, size=(starts, 1))
    return index


class _Chunk:
    """Starts improved in parallel.

    ``index`` (R, n, k), model columns ``x`` (R, n, p), inverse (R, p, p) of each information.
    """

    def __init__(self, task: Task, index: Ints) -> None:
        self.task = task
        self.index = index.copy()
        edges = np.cumsum([0, *(columns.shape[1] for columns in task.levels)])
        self.span = [slice(a, b) for a, b in pairwise(edges)]
        self.moves = [
            (f, np.flatnonzero(task.group[:, f] == number), choices)
            for f, allowed in enumerate(task.allowed)
            for number in np.unique(task.group[:, f])
            if len(choices := np.flatnonzero(allowed[task.group[:, f] == number].all(axis=0))) > 1
        ]

    def violations(self) -> Ints:
        """Return the presses of each start that are not permitted."""
        if self.task.permitted is None:
            return np.zeros(len(self.index), dtype=int)
        at = tuple(np.moveaxis(self.index, -1, 0))
        return np.asarray(np.sum(~self.task.permitted[at], axis=1), dtype=int)

    def improve(self) -> None:
        """Repeat passes over every setting of every press, load and round until no change helps."""
        live = np.arange(len(self.index))
        self.score = np.zeros(len(live))
        for _ in range(_MOST_PASSES):
            if not len(live):
                return
            part = _Pass(self.task, self.index[live], self.span)
            better = np.zeros(len(live), dtype=bool)
            for setting, members, choices in self.moves:
                better |= part.move(setting, members, choices)
            self.index[live] = part.index
            self.score[live] = part.score()
            live = live[better]

    def perturb(self, rng: np.random.Generator) -> None:
        """Redraw some settings and improve again, undoing changes for the worse.

        Several changes at once can leave a local optimum (iterated local search: Lourenço, Martin &
        Stützle 2003, from memory).
        """
        before, worth = self.index.copy(), self.score - _VIOLATION_COST * self.violations()
        for row in self.index:
            for move in rng.choice(len(self.moves), size=min(_PERTURBED, len(self.moves))):
                setting, members, choices = self.moves[move]
                row[members, setting] = rng.choice(choices)
        self.improve()
        worse = self.score - _VIOLATION_COST * self.violations() <= worth
        self.index[worse] = before[worse]
        self.score = np.where(worse, worth, self.score - _VIOLATION_COST * self.violations())


class _Pass:
    """One pass; the inverse is recomputed at its start, against accumulated rounding."""

    def __init__(self, task: Task, index: Ints, span: list[slice]) -> None:
        self.task, self.index, self.span = task, index, span
        columns = [c[index[..., f]] for f, c in enumerate(task.levels)]
        self.base = np.concatenate(columns, axis=-1)
        self.x = task.terms.expand(self.base)
        self.weighted = task.precision @ self.x
        ridge = _RIDGE * np.eye(task.terms.size)
        self.information = self.x.swapaxes(1, 2) @ self.weighted + task.earlier + ridge
        self.inverse = inverse(self.information)
        self.spread = self._spread(self.inverse)

    def _spread(self, p: Array) -> Array:
        """Return P W P of the I criterion, for the gain of a change of rank two."""
        w = self.task.moments
        return p if w is None else p @ w @ p

    def move(self, setting: int, members: Ints, choices: Ints) -> Bools:
        """Set one setting of some presses to its best choice; return which starts improved."""
        span = self.span[setting]
        count = len(self.index)
        # (R, choices, members, base columns): the presses under each choice.
        base = np.repeat(self.base[:, None, members], len(choices), axis=1)
        base[..., span] = self.task.levels[setting][choices][None, :, None, :]
        change = self.task.terms.expand(base) - self.x[:, None, members]
        if len(members) == 1:
            gain = self._gain_of_one(int(members[0]), change[:, :, 0])
        else:
            gain = self._gain_of_many(members, change)
        gain = gain - _VIOLATION_COST * self._added_violations(setting, members, choices)
        pick = np.argmax(gain, axis=1)
        rows = np.arange(count)
        scale = 1.0 if self.task.moments is None else self._mean_variance()
        better = np.asarray(gain[rows, pick] > _GAIN_TOLERANCE * scale)
        if better.any():
            self._set(setting, members, choices[pick], change[rows, pick], better)
        return better

    def score(self) -> Array:
        """Return the criterion of each start, with the ridge; larger is better."""
        if self.task.moments is None:
            return np.asarray(np.linalg.slogdet(self.information)[1])
        return -self._mean_variance()

    def _mean_variance(self) -> Array:
        """Return the trace of M^-1 W of each start, for the I criterion."""
        w = np.ones(()) if self.task.moments is None else self.task.moments
        return np.asarray(np.maximum(np.sum(self.inverse * w, axis=(1, 2)), 1e-300))

    def _gain_of_one(self, press: int, change: Array) -> Array:
        """Return the gain of the criterion for each change (R, choices, p) of one press.

        The new information is M + d g' + g d' + c d d', d the change, g = X' V^-1 e, c the press's
        own precision: of rank two, so determinant and trace follow from products with M^-1.
        """
        g, c = self.weighted[:, press], self.task.precision[press, press]
        dp = change @ self.inverse
        a = np.sum(dp * change, axis=-1)
        b = np.einsum("rlp,rp->rl", dp, g)
        pg = np.einsum("rij,rj->ri", self.inverse, g)
        e = np.sum(g * pg, axis=-1)[:, None]
        ratio = (1.0 + b) ** 2 + a * (c - e)
        safe = np.maximum(ratio, 1e-12)
        if self.task.moments is None:
            return np.asarray(np.where(ratio > 1e-12, np.log(safe), -np.inf))
        dq = change @ self.spread
        a2 = np.sum(dq * change, axis=-1)
        b2 = np.einsum("rlp,rp->rl", dq, g)
        e2 = np.einsum("ri,rij,rj->r", g, self.spread, g)[:, None]
        gain = ((c - e) * a2 + 2.0 * (1.0 + b) * b2 - a * e2) / safe
        return np.asarray(np.where(ratio > 1e-12, gain, -np.inf))

    def _gain_of_many(self, members: Ints, change: Array) -> Array:
        """Return the gain for each change D (R, choices, s, p) of a load or round of s presses.

        The new information is M + D' G + G' D + D' W D, G = (V^-1 X) and W = V^-1 of the members:
        of rank 2s, so determinant and trace follow from matrices of that size (Woodbury).
        """
        s = len(members)
        g = self.weighted[:, None, members]
        own = self.task.precision[np.ix_(members, members)]
        both = np.concatenate([change, np.broadcast_to(g, change.shape)], axis=2)
        inner = both @ self.inverse[:, None] @ both.swapaxes(-1, -2)
        inner[..., :s, s:] += np.eye(s)
        inner[..., s:, :s] += np.eye(s)
        inner[..., s:, s:] -= own
        sign, log_size = np.linalg.slogdet(inner)
        right = sign == (-1.0) ** s
        if self.task.moments is None:
            return np.asarray(np.where(right, log_size, -np.inf))
        outer = both @ self.spread[:, None] @ both.swapaxes(-1, -2)
        inner[~right] = np.eye(2 * s)
        gain = np.trace(np.linalg.solve(inner, outer), axis1=-2, axis2=-1)
        return np.asarray(np.where(right, gain, -np.inf))

    def _added_violations(self, setting: int, members: Ints, choices: Ints) -> Array:
        """Return the additional forbidden presses of each choice (R, choices)."""
        permitted = self.task.permitted
        if permitted is None:
            return np.zeros((1, 1))
        index = np.repeat(self.index[:, None, members], len(choices), axis=1)
        index[..., setting] = choices[None, :, None]
        after = np.sum(~permitted[tuple(np.moveaxis(index, -1, 0))], axis=-1)
        before = np.sum(~permitted[tuple(np.moveaxis(self.index[:, members], -1, 0))], axis=-1)
        return np.asarray(after - before[:, None], dtype=float)

    def _set(self, setting: int, members: Ints, level: Ints, change: Array, better: Bools) -> None:
        """Apply the changes (R, members, p) of the starts that improved."""
        rows = np.flatnonzero(better)
        change = change.reshape(len(self.index), len(members), -1)[rows]
        own = self.task.precision[np.ix_(members, members)]
        cross = change.swapaxes(1, 2) @ (self.weighted[rows][:, members] + 0.5 * (own @ change))
        self.information[rows] += cross + cross.swapaxes(1, 2)
        self.x[np.ix_(rows, members)] += change
        self.weighted[rows] += self.task.precision[:, members] @ change
        self.base[rows[:, None], members[None, :], self.span[setting]] = self.task.levels[setting][
            level[rows]
        ][:, None, :]
        self.index[rows[:, None], members[None, :], setting] = level[rows][:, None]
        self.inverse[rows] = inverse(self.information[rows])
        self.spread[rows] = self._spread(self.inverse[rows])
