"""The watch: daily counts of pressed and failed garments against the usual failing rate.

A Bernoulli CUSUM detects a lasting rise earlier than single days do, with a known rate of false
alarms.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from dtfexp.describe import fields
from dtfexp.describe.errors import PlanError
from dtfexp.describe.fields import count_phrase as in_words
from dtfexp.describe.html_text import escape
from dtfexp.describe.signs import phrase
from dtfexp.dialin.confirm.press_verdicts import wilson_interval
from dtfexp.dialin.encode.coding import check_settings
from dtfexp.dialin.monitor.day_counts import INTERVAL, check_day_counts
from dtfexp.dialin.signs.defect_words import defect_counts
from dtfexp.dialin.signs.phrases import read_phrase
from dtfexp.maths.control.cusum import (
    cusum,
    day_step_distribution,
    failure_weight,
    limit_for_mean_run,
    mean_run_length,
    run_length_quantile,
)

if TYPE_CHECKING:
    from dtfexp.describe.fabric import Fabric
    from dtfexp.dialin.model.fitted import FittedModel

#: Days between false alarms: about a working year.
FALSE_ALARM_DAYS = 250.0
#: Posterior probability of a pass rate below the usual one, and the limits of a usual failing
#: share.
_LOWER_QUANTILE, _USUAL_LIMITS = 0.10, (0.01, 0.30)
_ACCEPTED = "a share between 0 and 1, such as 0.04"


@dataclass(frozen=True)
class Alarm:
    """One lasting rise of the failing share.

    Raised at the end of ``day``; it most likely began on ``since`` and lasted until ``until`` (""
    while it lasts). During these ``days`` days ``failed`` of ``pressed`` failed: ``share`` with its
    90 % Wilson interval ``low`` … ``high``. ``symptoms``: (word, garments with it), the largest
    rise first.
    """

    day: str
    since: str
    until: str
    days: int
    pressed: int
    failed: int
    share: float
    low: float
    high: float
    symptoms: tuple[tuple[str, int], ...]


@dataclass(frozen=True, repr=False)
class Watch:
    """The watch on one fabric.

    ``usual`` and ``caught``: failing shares; ``weight`` and ``limit`` of the sum, in passing
    garments; ``run_days``: mean days between false alarms at the usual failing share, exact for
    days of the sizes ``sizes``; ``catch_days``: days within which half of the rises to ``caught``
    are detected. ``days``: the counts with ``counted`` (bool), ``share``, ``low``, ``high``
    (Wilson, 90 %), ``score`` (the sum, NaN on days not counted) and ``alarm`` (true on the day of
    an alarm). ``alarms``: every rise, the last one last.
    """

    fabric: str
    usual: float
    caught: float
    weight: int
    limit: int
    sizes: tuple[int, ...]
    run_days: float
    catch_days: int
    days: pd.DataFrame
    alarms: tuple[Alarm, ...]

    @property
    def alarm(self) -> Alarm | None:
        """The standing alarm; None without one."""
        return self.alarms[-1] if self.alarms and not self.alarms[-1].until else None

    @property
    def sentence(self) -> str:
        """The present state in words."""
        used = self.days[self.days["counted"]]
        pressed, failed = int(used["pressed"].sum()), int(used["failed"].sum())
        if self.alarm is None:
            past = f" ({in_words(len(self.alarms), 'alarm')} before, over now)" * bool(self.alarms)
            return (
                f"{self.fabric}: no alarm{past}. {failed} of {in_words(pressed, 'garment')} failed "
                f"on {in_words(len(used), 'day')}."
            )
        now = self.alarm
        seen = f", mostly {now.symptoms[0][0]}" if now.symptoms else ""
        return (
            f"{self.fabric}: ALARM, raised on {now.day}. Since {now.since}, {now.failed} of "
            f"{now.pressed} failed: {_percent(now.share)}, with 90 % confidence between "
            f"{_percent(now.low)} and {_percent(now.high)}, where {_percent(self.usual)} is usual"
            f"{seen}."
        )

    @property
    def promise(self) -> str:
        """The settings of the watch in words."""
        typical = int(np.median(self.sizes))
        return (
            f"Set for a usual failing share of {_percent(self.usual)} and about {typical} garments "
            f"a day: a false alarm every {self.run_days:.0f} days on average; a rise to "
            f"{_percent(self.caught)} is detected within {in_words(self.catch_days, 'day')} half "
            "of the time."
        )

    def __repr__(self) -> str:
        return f"Watch({self.sentence} {self.promise})"

    def _repr_html_(self) -> str:
        return f"<p><b>{escape(self.sentence)}</b><br>{escape(self.promise)}</p>"


def usual_failing_share(
    fit: FittedModel, settings: Mapping[str, Any], fabric: str | Fabric
) -> float:
    """Return the failing share to call usual at a set-point: its upper 90 % posterior limit.

    All presses so far count, confirming ones included. The expected share would be too optimistic:
    half of the shops would exceed it permanently and hear false alarms. Limited to 1 to 30 of 100.
    METHODS.md, section 12.
    """
    name = fit.session.fabric(fabric).name
    at = check_settings(fit.session, pd.DataFrame([dict(settings)]))
    passing = float(fit.pass_posterior(at, name).quantile(_LOWER_QUANTILE)[0])
    return float(np.clip(1.0 - passing, *_USUAL_LIMITS))


def watch(
    counts: pd.DataFrame,
    fabric: str,
    *,
    usual: float,
    caught: float | None = None,
    false_alarm_days: float = FALSE_ALARM_DAYS,
    per_day: int = 20,
    since: str = "",
) -> Watch:
    """Watch one fabric's daily counts for a lasting rise of the failing share.

    ``counts``: one row per day and fabric with ``day`` (text, year-month-day), ``fabric``,
    ``pressed`` and ``failed``, optionally ``warm_up`` (true for a day that does not count: machines
    being set up or repaired) and ``symptoms`` ("grainy underside: 3; bubbles: 1"). ``usual``: the
    expected failing share, as confirmed; ``caught``: the share to detect (default twice the usual
    one, and at least 0.05 more). ``false_alarm_days``: least mean days between false alarms, at
    about ``per_day`` garments a day. ``since``: ignore earlier days, after a repair or a new
    dial-in.

    Raises ``PlanError`` for settings of the watch and ``ResultsError`` for counts, in one line.
    """
    usual = fields.share(usual, "watch", "usual", _ACCEPTED, PlanError)
    caught = (
        max(2.0 * usual, usual + 0.05)
        if caught is None
        else fields.share(caught, "watch", "caught", _ACCEPTED, PlanError)
    )
    if not usual < caught < 1.0:
        raise fields.refusal(
            "caught", caught, f"above the usual failing share, {usual:g}, and below 1", PlanError
        )
    if not 1.0 <= false_alarm_days <= 1e5:
        raise fields.refusal(
            "false_alarm_days", false_alarm_days, "a number of days from 1 to 100000", PlanError
        )
    days = check_day_counts(counts, fabric, since)
    used = days["counted"].to_numpy(dtype=bool)
    pressed = days.loc[used, "pressed"].to_numpy(dtype=int)
    failed = days.loc[used, "failed"].to_numpy(dtype=int)
    # The limit depends on the assumed day size only: one that followed the actual days could
    # withdraw an alarm. Its run length is then computed for the actual days.
    planned = np.array([fields.whole_number(per_day, "watch", "per_day", 1, 100_000, PlanError)])
    weight = failure_weight(usual, caught)
    limit = limit_for_mean_run(planned, usual, weight, float(false_alarm_days))
    sizes = pressed if len(pressed) else planned
    path, raised = cusum(pressed, failed, weight, limit)
    score = np.full(len(days), np.nan)
    score[used] = path
    days["score"] = score
    days["alarm"] = False
    days.loc[days.index[np.flatnonzero(used)[raised]], "alarm"] = True
    return Watch(
        fabric,
        usual,
        caught,
        weight,
        limit,
        tuple(int(n) for n in sizes),
        mean_run_length(*day_step_distribution(sizes, usual, weight), limit),
        run_length_quantile(*day_step_distribution(sizes, caught, weight), limit, 0.5),
        days,
        _alarms(days[used].reset_index(drop=True), path, raised),
    )


def _alarms(used: pd.DataFrame, path: NDArray[np.int_], raised: list[int]) -> tuple[Alarm, ...]:
    """Return each alarm with the days from the last zero of the sum to the next.

    There the rise most likely began (Page 1954, Biometrika 41:100).
    """
    found = []
    zeros = np.flatnonzero(path == 0)
    for at in raised:
        before, after = zeros[zeros < at], zeros[zeros > at]
        first = int(before[-1]) + 1 if len(before) else 0
        # The day on which the sum returns to zero is a good one, not part of the rise.
        end = int(after[0]) if len(after) else len(path)
        here = used.iloc[first:end]
        pressed, failed = int(here["pressed"].sum()), int(here["failed"].sum())
        low, high = wilson_interval(pressed - failed, pressed, INTERVAL)
        until = used["day"].iloc[end - 1] if len(after) else ""
        span = (used["day"].iloc[at], used["day"].iloc[first], until, len(here))
        share = (failed / pressed, 1.0 - high, 1.0 - low)
        risen = _risen_symptoms(here, used.iloc[:first])
        found.append(Alarm(*span, pressed, failed, *share, risen))
    return tuple(found)


def _risen_symptoms(here: pd.DataFrame, before: pd.DataFrame) -> tuple[tuple[str, int], ...]:
    """Return the symptoms since the rise began, the largest rise of share first."""
    now, then = _symptom_totals(here), _symptom_totals(before)
    # Half a garment replaces a zero count.
    garments = float(before["pressed"].sum()) + 1.0
    ratio = float(here["pressed"].sum()) / garments

    def excess(word: str) -> float:
        return now[word] - ratio * (then.get(word, 0) + 0.5)

    return tuple((word, now[word]) for word in sorted(now, key=lambda w: (-excess(w), w)))


def _symptom_totals(days: pd.DataFrame) -> dict[str, int]:
    total: dict[str, int] = {}
    for cell in days["symptoms"]:
        for said, count in defect_counts(cell).items():
            signs = read_phrase(said).signs
            # Synonyms and misspellings of a sign are merged; unknown words are kept.
            word = phrase(signs[0]) if len(signs) == 1 else said
            total[word] = total.get(word, 0) + count
    return total


def _percent(share: float) -> str:
    return f"{100 * share:.3g}\u00a0%"
