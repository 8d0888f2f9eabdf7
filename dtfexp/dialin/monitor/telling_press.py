"""The one press that separates the leading causes.

Each cause says whether a change makes prints better, worse or neither. The press chosen tells most
of the cause: the mutual information of both is the largest of all settings and other trials.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dtfexp.describe.fields import and_list, without_underscores
from dtfexp.describe.signs import Cause
from dtfexp.dialin.encode.roles import HEAT
from dtfexp.dialin.monitor.causes import RankedShare
from dtfexp.dialin.monitor.corrections import Move, ProposalContext

#: Least probability of the causes to separate, and their largest number.
LEADING, MOST = 0.04, 5
#: Probability of dye migration from which no more heat is tried.
_DYE = 0.05
# P(better, same, worse) of a press when a change helps, does nothing, or harms.
_LIKELY = {1: (0.80, 0.15, 0.05), 0: (0.10, 0.80, 0.10), -1: (0.05, 0.25, 0.70)}
# Extra information (nats) that another press needs to replace the first move of the most probable
# cause.
_FIRST_CAUSE, _FIRST_MOVE = 0.04, 0.04


@dataclass(frozen=True)
class TrialPress:
    """A trial press: a single move, or today's settings with another way of working."""

    cause: Cause
    move: Move | None


def discriminating_press(
    bench: ProposalContext, ranked: Sequence[RankedShare], moves: dict[str, list[Move]]
) -> tuple[dict[str, Any], str]:
    """Return the settings of one press (today's with at most one change) and its meaning.

    ``moves``: cause key -> moves that pass the gate.
    """
    leading = [one for k, one in enumerate(ranked[:MOST]) if k < 2 or one.share >= LEADING]
    tries = [
        TrialPress(one.cause, move)
        for one in leading
        for move in moves.get(one.cause.key) or (None,)
        if move is None or _is_safe_move(move, one, ranked)
    ]
    if not tries:
        tries = [TrialPress(leading[0].cause, None)]
    share = np.array([one.share for one in ranked])
    first = leading[0].cause.key
    worth = [
        _information(share, [_response(one.cause, t) for one in ranked])
        + _FIRST_CAUSE * (t.cause.key == first)
        + _FIRST_MOVE * (t.move is None or t.move == moves[t.cause.key][0])
        for t in tries
    ]
    chosen = tries[int(np.argmax(np.round(worth, 9)))]
    press = dict(bench.at)
    if chosen.move is not None:
        press[chosen.move.factor.name] = chosen.move.to
    return press, _words(bench, chosen, leading)


def _is_safe_move(move: Move, of: RankedShare, ranked: Sequence[RankedShare]) -> bool:
    """Return whether a move may be tried: no more heat where heat may be the cause."""
    if move.role not in HEAT or move.direction < 0:
        return True
    for one in ranked:
        if one.cause.key == "dye" and one.share >= _DYE:
            return False
        if _sign_of_response(one.cause, move) < 0 and one.share > of.share:
            return False
    return True


def _sign_of_response(cause: Cause, move: Move) -> int:
    """Return +1 when a move helps against a cause, -1 when it makes things worse, else 0."""
    if (move.role, move.direction) in cause.moves:
        return 1
    return -1 if (move.role, -move.direction) in cause.moves else 0


def _response(cause: Cause, one: TrialPress) -> int:
    if one.move is None:
        return int(cause.key == one.cause.key)
    return _sign_of_response(cause, one.move)


def _information(share: NDArray[np.float64], responses: list[int]) -> float:
    """Return the mutual information, in nats, between the cause and the press's outcome.

    Cover & Thomas 2006, Elements of Information Theory, eq. 2.28; from memory.
    """
    likely = np.array([_LIKELY[k] for k in responses])
    of_all = share @ likely
    return float(np.sum(share[:, None] * likely * np.log(likely / of_all)))


def _words(bench: ProposalContext, chosen: TrialPress, leading: Sequence[RankedShare]) -> str:
    answers: dict[int, list[str]] = {1: [], 0: [], -1: []}
    for one in leading:
        answers[_response(one.cause, chosen)].append(one.cause.name)
    if chosen.move is None:
        line = chosen.cause.tell
    else:
        factor = chosen.move.factor
        line = (
            f"as now, but {without_underscores(factor.name)} {bench.shown(factor, chosen.move.to)}."
        )
    said = []
    if answers[1]:
        said.append(f"Gone: it was {and_list(answers[1], last='or')}.")
    if answers[0]:
        said.append(f"Still there: look for {and_list(answers[0], last='or')}.")
    if answers[-1]:
        said.append(f"Worse: {and_list(answers[-1], last='or')}.")
    return " ".join([line, *said])
