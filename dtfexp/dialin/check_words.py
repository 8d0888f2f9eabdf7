"""A check of a plan in three plain sentences: what hides, how much is missed, what is not tried."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from dtfexp.dialin import mixed
from dtfexp.dialin.mixed import Effects
from dtfexp.maths.terms import Terms

if TYPE_CHECKING:
    from dtfexp.dialin.plan_check import PlanCheck
    from dtfexp.maths.terms import Key

Array = NDArray[np.float64]

_EXAMPLES = 2
_WHOLE_SCALE = 4.0
"""Grades from the worst to the best: a quarter of a scale is one grade."""


def three_sentences(check: PlanCheck) -> tuple[str, str, str]:
    """What cannot be told apart; how small an effect is missed; what is not tried at all."""
    if not check.presses:
        return (
            "There are no presses in this plan, so it can tell nothing.",
            "No effect of any size would be seen.",
            "No setting is tried.",
        )
    return _hidden(check), _missed(check), _not_tried(check)


def _hidden(check: PlanCheck) -> str:
    effects = check.effects
    still = _still(check)
    if still:
        verb = "it is" if len(still) == 1 else "they are"
        return f"It cannot tell what {_all(still)} {_do(still)}: {verb} the same in every press."
    own = [k for k in effects.terms.columns if effects.kind(k) == mixed.OWN]
    always = [k for k in own if not check.is_fitted(k)]
    if always:
        return f"It cannot tell {effects.spoken(always[0])}{_together(check, always)}."
    veiled = [k for k in own if not check.told(k)]
    if veiled:
        behind = [effects.spoken(k) for k in check.mixed_with(veiled[0])]
        few = _or(behind)
        if len(behind) > _EXAMPLES:
            few = f"{', '.join(behind[:_EXAMPLES])} or other pairs"
        others = _more_of(len(veiled) - 1, "setting")
        return f"It cannot tell {effects.spoken(veiled[0])} from {few}{others}."
    joint = [k for k in effects.terms.columns if effects.kind(k) == mixed.JOINT]
    untold = [k for k in joint if not check.told(k)]
    flat = _no_middle(check)
    whose = "what each setting does" if len(own) > 1 else f"what {effects.name(own[0])} does"
    if untold:
        return f"It keeps apart {whose}, but {_pairs(check, joint, untold)}{_nor_middle(flat)}."
    together = " and which two act together" if joint else ""
    if flat:
        return f"It keeps apart {whose}{together}, but not whether {_best(flat)}."
    if len(own) == 1:
        return f"It tells {whose} and where it is best; there is no other setting to mix it with."
    middle = ", and where in its range each is best"
    return f"It keeps apart {whose}{together}{middle}; what three do only together it cannot tell."


def _missed(check: PlanCheck) -> str:
    table = check.terms
    own = table[(table["kind"] == mixed.OWN) & table["fitted"]]
    times = f"{round(10 * check.assumed.power)} times in 10"
    sure = own[own["smallest"] <= _WHOLE_SCALE]
    if not len(sure):
        return (
            "No effect, however large, can be told from luck: no press is left over to show how "
            "much presses alike differ."
        )
    sizes = sure["smallest"].to_numpy(dtype=float)
    easy, hard = sure.iloc[int(np.argmin(sizes))], sure.iloc[int(np.argmax(sizes))]
    size = _size(float(easy["smallest"]))
    blind = own[~own.index.isin(sure.index)]
    text = f"An effect of less than {size} from one end tried to the other may be missed"
    if float(hard["smallest"]) > 1.25 * float(easy["smallest"]):
        most = _size(float(hard["smallest"]))
        text = (
            f"An effect of {easy['term']} of less than {size}, or of {hard['term']} of less than "
            f"{most}{_because(check, str(hard['stratum']))}, may be missed"
        )
    elif len(blind):
        names = [str(name) for name in sure["term"]]
        text = f"An effect of {_or(names)} of less than {size} may be missed"
    text += f" (to be seen {times})"
    if len(blind):
        names = [str(name) for name in blind["term"]]
        text += f", and what {_all(names)} {_do(names)} cannot be told from luck at all"
        scarce = [f"{s}s" for s in dict.fromkeys(map(str, blind["stratum"])) if s != "press"]
        text += f": too few {_all(scarce)}" if scarce else ""
    return text + "."


def _not_tried(check: PlanCheck) -> str:
    told = []
    for span in check.effects.spans:
        factor = span.factor
        if factor is None:
            continue
        if factor.is_numeric:
            unit = check.session.temperature_unit if factor.is_temperature else None
            low, high = (factor.format(v, unit) for v in (span.values[0], span.values[-1]))
            told.append(f"{span.name} {_without_unit(low, high)} to {high}")
        else:
            told.append(f"{span.name} {_or(list(span.values))}")
    text = "It says nothing beyond what it tries"
    text += f": {', '.join(told)}" if told else ", and it tries one setting only"
    if any(span.name == "fabric" and span.factor is None for span in check.effects.spans):
        text += "; and it takes every setting to act alike on all its fabrics"
    return text + "."


def _still(check: PlanCheck) -> list[str]:
    varied = {span.name for span in check.effects.spans}
    return [f.name for f in check.session.factors if f.name not in varied]


def _no_middle(check: PlanCheck) -> list[str]:
    """Settings along a line of which the plan does not tell whether the middle is best."""
    effects = check.effects
    return [
        span.name
        for i, span in enumerate(effects.spans)
        if span.by_place
        and ((i, i) not in effects.terms.columns or not check.told((i, i)))
        and (span.factor is not None and len(span.factor.settings()) > 2)
    ]


def _together(check: PlanCheck, always: list[Key]) -> str:
    """Why an own effect is in no model at all: which settings change with it."""
    effects = check.effects
    alone = Effects(effects.spans, *_linear_part(effects))
    partners = [effects.name(k) for k in alone.mixed_with(always[0]) if k]
    others = _more_of(len(always) - 1, "setting")
    if check.presses < len(effects.spans) + 1 or len(partners) != 1:
        return f"{others}: there are too few presses for so many settings"
    return f"{others}: it always changes together with {partners[0]}"


def _linear_part(effects: Effects) -> tuple[Terms, Array]:
    terms = Terms.of(effects.terms.kinds, "linear")
    return terms, effects.x[:, : terms.size]


def _pairs(check: PlanCheck, joint: list[Key], untold: list[Key]) -> str:
    """Which pairs of settings hide, with the first of them told where that is simple."""
    effects, first = check.effects, untold[0]
    behind = check.mixed_with(first)
    simple = 1 <= len(behind) <= _EXAMPLES and all(effects.kind(k) == mixed.JOINT for k in behind)
    alike = _or([effects.spoken(k) for k in behind]) if simple else ""
    if not any(check.is_fitted(k) for k in joint):
        example = f" ({effects.spoken(first)} looks the same as {alike})" if alike else ""
        return f"not which two settings act together{example}"
    return f"not {effects.spoken(first)}" + (
        f" from {alike}" if alike else _more_of(len(untold) - 1, "pair")
    )


def _nor_middle(flat: list[str]) -> str:
    return f", nor whether {_best(flat)}" if flat else ""


def _best(flat: list[str]) -> str:
    return f"{'a setting' if len(flat) > _EXAMPLES else _or(flat)} is best in the middle"


def _because(check: PlanCheck, stratum: str) -> str:
    if stratum == "press":
        return ""
    column = "oven_load" if stratum == "oven load" else "press_round"
    return f" (set only once for each of {check.runs[column].nunique()} {stratum}s)"


def _more_of(count: int, what: str) -> str:
    if count < 1:
        return ""
    return f" (and so for {count} more {what}{'s' if count > 1 else ''})"


def _size(grades: float) -> str:
    shown = f"{grades:.1f}" if grades < 10 else f"{grades:.0f}"
    return f"{shown} grade{'' if shown == '1.0' else 's'}"


def _without_unit(low: str, high: str) -> str:
    """115 °C and 135 °C: the unit is told once."""
    number, _, unit = low.partition(" ")
    return number if unit and high.endswith(unit) else low


def _do(names: list[str]) -> str:
    return "does" if len(names) == 1 else "do"


def _all(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _or(names: list[str]) -> str:
    shown = names[:_EXAMPLES] if len(names) > _EXAMPLES + 1 else names
    rest = "" if len(shown) == len(names) else f" or {len(names) - len(shown)} others"
    if rest or len(shown) == 1:
        return ", ".join(shown) + rest
    return f"{', '.join(shown[:-1])} or {shown[-1]}"
