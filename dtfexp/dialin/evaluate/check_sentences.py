"""The check of a plan in three plain sentences: confounding, power, untested settings."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from dtfexp.describe import heat
from dtfexp.dialin.evaluate import aliasing
from dtfexp.dialin.evaluate.aliasing import Effects
from dtfexp.maths.linear.model_terms import Terms

if TYPE_CHECKING:
    from dtfexp.dialin.evaluate.plan_facts import PlanFacts
    from dtfexp.maths.linear.model_terms import Key

Array = NDArray[np.float64]

_EXAMPLES = 2
_WHOLE_SCALE = 4.0
"""Grade units from worst to best: a quarter of a scale is one grade."""


def three_sentences(check: PlanFacts) -> tuple[str, str, str]:
    """Return what is confounded, how small an effect is missed, and what is not tested."""
    if not check.presses:
        return (
            "There are no presses in this plan, so it can show nothing.",
            "No effect of any size would be seen.",
            "No setting is tested.",
        )
    return _aliased_sentence(check), _power_sentence(check), _untried_sentence(check)


def _aliased_sentence(check: PlanFacts) -> str:
    effects = check.effects
    still = _constant_factors(check)
    if still:
        verb = "it is" if len(still) == 1 else "they are"
        what = f"what {_and_list(still)} {_verb(still)}"
        return f"It cannot show {what}: {verb} the same in every press."
    own = [k for k in effects.terms.columns if effects.kind(k) == aliasing.MAIN]
    always = [k for k in own if not check.is_fitted(k)]
    if always:
        return f"It cannot show {effects.sentence_name(always[0])}{_always_with(check, always)}."
    veiled = [k for k in own if not check.is_estimable(k)]
    if veiled:
        behind = [effects.sentence_name(k) for k in check.aliased_with(veiled[0])]
        few = _or_list(behind)
        if len(behind) > _EXAMPLES:
            few = f"{', '.join(behind[:_EXAMPLES])} or other pairs"
        others = _and_others(len(veiled) - 1, "setting")
        return f"It cannot separate {effects.sentence_name(veiled[0])} from {few}{others}."
    joint = [k for k in effects.terms.columns if effects.kind(k) == aliasing.INTERACTION]
    untold = [k for k in joint if not check.is_estimable(k)]
    flat = _two_level_factors(check)
    whose = "what each setting does" if len(own) > 1 else f"what {effects.name(own[0])} does"
    if untold:
        bends = f", nor whether {_best_seen(flat)}" if flat else ""
        rest = f"{_pairs(check, joint, untold)}{bends}"
        return f"It shows {whose}, but {rest}."
    together = " and which two act together" if joint else ""
    if flat:
        return f"It shows {whose}{together}, but not whether {_best_seen(flat)}."
    if len(own) == 1:
        return f"It shows {whose} and where it is best; no other setting is varied."
    middle = ", and where in its range each is best"
    return f"It shows {whose}{together}{middle}, but no interaction of three settings."


def _power_sentence(check: PlanFacts) -> str:
    table = check.terms
    own = table[(table["kind"] == aliasing.MAIN) & table["fitted"]]
    times = f"{round(10 * check.assumed.power)} times in 10"
    sure = own[own["smallest"] <= _WHOLE_SCALE]
    if not len(sure):
        return (
            "No effect, however large, can be separated from luck: no press is left over to show "
            "how much like presses differ."
        )
    sizes = sure["smallest"].to_numpy(dtype=float)
    easy, hard = sure.iloc[int(np.argmin(sizes))], sure.iloc[int(np.argmax(sizes))]
    size = _effect_size(float(easy["smallest"]))
    blind = own[~own.index.isin(sure.index)]
    text = f"An effect of less than {size} over the tested range may be missed"
    if float(hard["smallest"]) > 1.25 * float(easy["smallest"]):
        most = _effect_size(float(hard["smallest"]))
        text = (
            f"An effect of {easy['term']} of less than {size}, or of {hard['term']} of less than "
            f"{most}{_reason_clause(check, str(hard['stratum']))}, may be missed"
        )
    elif len(blind):
        names = [str(name) for name in sure["term"]]
        text = f"An effect of {_or_list(names)} of less than {size} may be missed"
    text += f" (larger ones are seen {times})"
    if len(blind):
        names = [str(name) for name in blind["term"]]
        text += f", and what {_and_list(names)} {_verb(names)} cannot be separated from luck"
        scarce = [f"{s}s" for s in dict.fromkeys(map(str, blind["stratum"])) if s != "press"]
        text += f": too few {_and_list(scarce)}" if scarce else ""
    return text + "."


def _untried_sentence(check: PlanFacts) -> str:
    lines = []
    for span in check.effects.spans:
        factor = span.factor
        if factor is None:
            continue
        if factor.is_numeric:
            unit, fabrics = check.session.temperature_unit, check.session.fabrics
            low, high = (
                heat.setting_text(factor, v, unit, fabrics)
                for v in (span.values[0], span.values[-1])
            )
            lines.append(f"{span.name} {_without_unit(low, high)} to {high}")
        else:
            lines.append(f"{span.name} {_or_list(list(span.values))}")
    text = "It shows nothing outside the tested settings"
    text += f": {', '.join(lines)}" if lines else "; only one setting is tested"
    if any(span.name == "fabric" and span.factor is None for span in check.effects.spans):
        text += "; and it assumes that every setting acts alike on all fabrics"
    return text + "."


def _constant_factors(check: PlanFacts) -> list[str]:
    varied = {span.name for span in check.effects.spans}
    return [f.name for f in check.session.factors if f.name not in varied]


def _two_level_factors(check: PlanFacts) -> list[str]:
    """Return the numeric settings whose quadratic the plan cannot estimate."""
    effects = check.effects
    return [
        span.name
        for i, span in enumerate(effects.spans)
        if span.is_ordinal
        and ((i, i) not in effects.terms.columns or not check.is_estimable((i, i)))
        and (span.factor is not None and len(span.factor.settings()) > 2)
    ]


def _always_with(check: PlanFacts, always: list[Key]) -> str:
    """Return why a main effect is in no model: the settings that change with it."""
    effects = check.effects
    alone = Effects(effects.spans, *_linear_part(effects))
    partners = [effects.name(k) for k in alone.aliased_with(always[0]) if k]
    others = _and_others(len(always) - 1, "setting")
    if check.presses < len(effects.spans) + 1 or len(partners) != 1:
        return f"{others}: there are too few presses for all settings"
    return f"{others}: it always changes together with {partners[0]}"


def _linear_part(effects: Effects) -> tuple[Terms, Array]:
    terms = Terms.of(effects.terms.kinds, "linear")
    return terms, effects.x[:, : terms.size]


def _pairs(check: PlanFacts, joint: list[Key], not_estimable: list[Key]) -> str:
    """Return which interactions are confounded, with the first as an example where simple."""
    effects, first = check.effects, not_estimable[0]
    behind = check.aliased_with(first)
    simple = 1 <= len(behind) <= _EXAMPLES and all(
        effects.kind(k) == aliasing.INTERACTION for k in behind
    )
    alike = _or_list([effects.sentence_name(k) for k in behind]) if simple else ""
    if not any(check.is_fitted(k) for k in joint):
        example = f" ({effects.sentence_name(first)} looks the same as {alike})" if alike else ""
        return f"not which two settings act together{example}"
    return f"not {effects.sentence_name(first)}" + (
        f" from {alike}" if alike else _and_others(len(not_estimable) - 1, "pair")
    )


def _best_seen(flat: list[str]) -> str:
    return f"{'a setting' if len(flat) > _EXAMPLES else _or_list(flat)} is best in the middle"


def _reason_clause(check: PlanFacts, stratum: str) -> str:
    if stratum == "press":
        return ""
    column = "oven_load" if stratum == "oven load" else "press_round"
    return f" (set only once for each of {check.runs[column].nunique()} {stratum}s)"


def _and_others(count: int, what: str) -> str:
    if count < 1:
        return ""
    return f" (and so for {count} more {what}{'s' if count > 1 else ''})"


def _effect_size(grades: float) -> str:
    shown = f"{grades:.1f}" if grades < 10 else f"{grades:.0f}"
    return f"{shown} grade{'' if shown == '1.0' else 's'}"


def _without_unit(low: str, high: str) -> str:
    """Return the first value without its unit when both have the same: "115 and 135 °C"."""
    number, _, unit = low.partition(" ")
    return number if unit and high.endswith(unit) else low


def _verb(names: list[str]) -> str:
    return "does" if len(names) == 1 else "do"


def _and_list(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _or_list(names: list[str]) -> str:
    shown = names[:_EXAMPLES] if len(names) > _EXAMPLES + 1 else names
    rest = "" if len(shown) == len(names) else f" or {len(names) - len(shown)} others"
    if rest or len(shown) == 1:
        return ", ".join(shown) + rest
    return f"{', '.join(shown[:-1])} or {shown[-1]}"
