"""Box-Behnken and central composite plans: quadratics without every combination.

Numbers take the three or five levels, and so do ordered words with a middle. Other words are
crossed with them, in every combination, or stay at the usual one.
"""

from __future__ import annotations

from itertools import product
from typing import Any

import numpy as np
import pandas as pd

from dtfexp.describe import fields
from dtfexp.describe.errors import PlanError
from dtfexp.describe.factor import Factor
from dtfexp.dialin.design.design_family import Array, DesignRequest, Labels, RequestedPresses
from dtfexp.dialin.design.first_look import REACH
from dtfexp.dialin.encode.levels import settings_from_codes
from dtfexp.maths.designs import classical

BEHNKEN_OPTIONS = ("reach", "centres", "words", "blocks")
COMPOSITE_OPTIONS = ("alpha", *BEHNKEN_OPTIONS)

# Centre presses as published: Box & Behnken (1960), Technometrics 2:455 (from memory).
_BEHNKEN_CENTRES = {3: 3, 4: 3, 5: 6, 6: 6, 7: 6}
# Montgomery (2013), Design and Analysis of Experiments, ch. 11: three to five centres keep the
# variance of a rotatable plan even; a face-centred one needs one or two.
_ROTATABLE_CENTRES, _FACE_CENTRES = 4, 2
# Centre presses (with the corners, with the star) of the plan in two blocks; the same, table 11.11.
_CENTRES_IN_BLOCKS = {2: (3, 3), 3: (4, 2), 4: (4, 2)}


def box_behnken(request: DesignRequest) -> RequestedPresses:
    """Return a three-level plan without corners: full quadratic in 3 to 7 settings.

    ``centres``: number of centre presses (default as published, fewer when presses are short).
    """
    ranged = _ranged(request)
    if not 3 <= len(ranged) <= 7:
        raise PlanError(
            "box-behnken takes 3 to 7 settings with a middle level and the session has "
            f"{len(ranged)} ({', '.join(f.name for f in ranged)}); use "
            + ("'central composite'" if len(ranged) < 10 else "'plackett-burman'")
        )
    k = len(ranged)
    outer = classical.box_behnken(k, 1)[:-1]
    coded = _with_centres(request, outer, _BEHNKEN_CENTRES[k])
    frame = _for_fabrics(request, ranged, coded, request.reach())
    return RequestedPresses(
        frame,
        f"Three levels of {k} settings without corners, {len(coded)} presses"
        + _crossed_words_note(request, ranged)
        + ".",
        (
            "Curved effects and the joint effects of all pairs can be separated.",
            "Corners are not pressed: the result where all settings are extreme is unknown.",
        ),
    )


def central_composite(request: DesignRequest) -> RequestedPresses:
    """Return corners, a star on the axes and centres: full quadratic in 2 to 9 settings.

    ``alpha``: distance of the star, in distances of the corners: "face" (1, the default),
    "rotatable", "blocks" (so that corners and star can be pressed as two blocks) or a number of 1
    or more. ``reach`` places the corners; the star must stay inside the range. ``centres``: their
    number, for "blocks" a pair (with the corners, with the star).
    """
    ranged = _ranged(request)
    k = len(ranged)
    if not 2 <= k <= classical.MOST_IN_FRACTION:
        raise PlanError(
            f"central composite takes 2 to {classical.MOST_IN_FRACTION} settings with a "
            "middle level "
            f"and the session has {k}; use "
            + ("'full factorial'" if k < 2 else "'plackett-burman'")
        )
    coded, labels = _composite(request, k)
    alpha = float(np.abs(coded).max())
    reach = request.reach(default=min(REACH, 1.0 / alpha))
    if alpha * reach > 1.0 + 1e-9:
        raise PlanError(
            f"alpha {alpha:.3g} with reach {reach:g} puts the star outside the range; use reach "
            f"{np.floor(1000.0 / alpha) / 1000:g} or less, or alpha {1.0 / reach:.3g} or less"
        )
    # Code the star's ends as 1, so that both fit between the limits.
    frame = _for_fabrics(request, ranged, coded / alpha, alpha * reach, labels)
    notes = ["Curved effects and the joint effects of all pairs can be separated."]
    if alpha > 1.0 + 1e-9:
        notes += _alpha_notes(frame, ranged, alpha)
    return RequestedPresses(
        frame,
        f"Corners, star and centre of {k} settings, the star "
        + (f"{alpha:.3g} times as far out as the corners" if alpha > 1.0 + 1e-9 else "on the faces")
        + f", {len(coded)} presses"
        + _crossed_words_note(request, ranged)
        + ".",
        tuple(notes),
    )


def _composite(request: DesignRequest, k: int) -> tuple[Array, Labels | None]:
    """Return coded rows and, for a plan in two blocks, the block of each."""
    alpha = request.options.get("alpha", "face")
    accepted = "use 'face', 'rotatable', 'blocks' or a number of 1 or more"
    number = isinstance(alpha, (int, float, np.number)) and not isinstance(alpha, bool)
    if number and not (np.isfinite(alpha) and alpha >= 1):
        raise PlanError(f"alpha is {alpha!r}; {accepted}")
    if not number and alpha not in ("face", "rotatable", "blocks"):
        raise PlanError(f"alpha is {fields.quoted(alpha)}; {accepted}")
    if alpha == "blocks":
        pair = request.options.get("centres", _CENTRES_IN_BLOCKS.get(k, (4, 2)))
        if len(request.blocks) != 2:
            raise PlanError(
                "alpha 'blocks' is for two blocks, corners and star; give blocks=2 or two names, "
                "such as blocks=['Monday', 'Tuesday']"
            )
        if not isinstance(pair, (tuple, list)) or len(pair) != 2:
            raise PlanError(
                f"centres is {fields.quoted(pair)}; with alpha 'blocks' give a pair: with the "
                "corners, with the star"
            )
        with fields.at("central composite", PlanError):
            coded = classical.central_composite(k, "blocks", (pair[0], pair[1]))
        star = len(coded) - 2 * k - int(pair[1])
        return coded, (np.arange(len(coded)) >= star).astype(np.intp)
    # Five centres always make it estimable; the wanted number is inserted afterwards.
    outer = classical.central_composite(k, "faced" if alpha == "face" else alpha, 5)[:-5]
    usual = _FACE_CENTRES if np.abs(outer).max() < 1.0 + 1e-9 else _ROTATABLE_CENTRES
    return _with_centres(request, outer, usual), None


def _with_centres(request: DesignRequest, outer: Array, usual: int) -> Array:
    """Return the rows with ``centres`` centre presses, by default up to ``usual``.

    Raises ``PlanError`` when the rows with one centre press do not fit.
    """
    repeats = _most_combinations(request)
    room = request.presses_per_fabric // repeats - len(outer)
    centres = request.whole_option("centres", min(usual, max(room, 1)), 0, 1000)
    request.require_presses((len(outer) + centres) * repeats)
    coded = np.vstack([outer, np.zeros((centres, outer.shape[1]))])
    with fields.at("", PlanError):
        classical.check_quadratic(coded, f"design {request.design!r}")
    return coded


def _for_fabrics(
    request: DesignRequest,
    ranged: list[Factor],
    coded: Array,
    reach: float,
    labels: Labels | None = None,
) -> pd.DataFrame:
    """Return the coded rows of the ranged settings for every fabric and choice of words."""
    factors = request.session.factors
    request.require_presses(len(coded) * _most_combinations(request))
    codes = np.zeros((len(coded), len(factors)))
    for column, factor in enumerate(ranged):
        codes[:, factors.index(factor)] = coded[:, column]
    parts = []
    for fabric in request.fabrics:
        settings = settings_from_codes(request.session, fabric, codes, reach)
        for column, factor in enumerate(ranged):
            if not factor.is_numeric:
                words = request.session.allowed(factor, fabric)
                usual = words.index(request.session.usual(factor, fabric))
                settings[factor.name] = _three_level_words(words, usual, coded[:, column])
            wanted, got = len(np.unique(coded[:, column])), settings[factor.name].nunique()
            if got < min(wanted, 3):
                raise PlanError(
                    f"design {request.design!r} needs 3 different settings of {factor.name!r} and "
                    f"{fabric} has {got}; use a finer step, a wider range or leave this fabric out"
                )
        for choice in _word_combinations(request, fabric):
            part = settings.assign(**choice)
            part.insert(0, "fabric", fabric)
            if labels is not None:
                part["block"] = [request.blocks[k] for k in labels]
            parts.append(part)
    return pd.concat(parts, ignore_index=True)


def _ranged(request: DesignRequest) -> list[Factor]:
    return [
        f for f in request.session.factors if f.is_numeric or (f.ordered and len(f.levels) >= 3)
    ]


def _most_combinations(request: DesignRequest) -> int:
    """Return the most repetitions of the coded rows on any fabric, by its words."""
    return max(len(_word_combinations(request, fabric)) for fabric in request.fabrics)


def _word_combinations(request: DesignRequest, fabric: str) -> list[dict[str, Any]]:
    """Return every combination of the words without a middle, or the usual one on request."""
    words = request.options.get("words", "all")
    if words not in ("all", "usual"):
        raise fields.refusal("words", words, "'all' (every combination) or 'usual'", PlanError)
    ranged = _ranged(request)
    others = [f for f in request.session.factors if f not in ranged]
    session = request.session
    choices = [
        session.allowed(f, fabric) if words == "all" else (session.usual(f, fabric),)
        for f in others
    ]
    return [dict(zip([f.name for f in others], one, strict=True)) for one in product(*choices)]


def _crossed_words_note(request: DesignRequest, ranged: list[Factor]) -> str:
    others = [f.name for f in request.session.factors if f not in ranged]
    many = _most_combinations(request)
    if many > 1:
        return f" for each fabric and each of {many} choices of {', '.join(others)}"
    return " for each fabric"


def _three_level_words(words: tuple[str, ...], usual: int, code: Array) -> list[str]:
    """Return ordered words as three levels: one below the middle, the middle, one above."""
    middle = max(min(usual, len(words) - 2), 1)
    place = np.clip(middle + np.sign(code).astype(int), 0, len(words) - 1)
    return [words[int(k)] for k in place]


def _alpha_notes(frame: pd.DataFrame, ranged: list[Factor], alpha: float) -> list[str]:
    """Return notes on the star's distance after rounding to the bench's steps."""
    reached = []
    for factor in ranged:
        if factor.is_numeric:
            for _, values in frame.groupby("fabric", sort=False)[factor.name]:
                distinct = np.unique(values.to_numpy(dtype=float))
                if len(distinct) == 5:
                    reached.append((distinct[4] - distinct[0]) / (distinct[3] - distinct[1]))
    notes = []
    if reached and max(abs(r - alpha) for r in reached) > 0.005:
        notes.append(
            f"On the steps of this bench the star lies {min(reached):.2f} to {max(reached):.2f} "
            f"times as far out as the corners, instead of {alpha:.2f}."
        )
    if any(not f.is_numeric for f in ranged):
        notes.append("Words have only three levels: their star is at the face.")
    return notes
