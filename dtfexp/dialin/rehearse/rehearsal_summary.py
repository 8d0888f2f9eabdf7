"""A rehearsal as a table and plain sentences: counts and means only."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from dtfexp.describe.fields import count_phrase
from dtfexp.describe.html_text import escape
from dtfexp.describe.session import Session
from dtfexp.describe.summary import html_table
from dtfexp.dialin.confirm.press_verdicts import wilson_interval

HEADS = (
    "fabric", "benches with a window", "found", "false", "size against the true",
    "box truly good", "pass at target", "stated",
)  # fmt: skip


@dataclass(frozen=True)
class RehearsalSummary:
    """A title; ``answers`` in sentences; ``rows`` of texts under ``HEADS``; ``lines`` below."""

    title: str
    answers: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    lines: tuple[str, ...]

    def text(self) -> str:
        """Return the text for a terminal."""
        frame = pd.DataFrame(self.rows, columns=list(HEADS))
        table = frame.to_string(index=False)
        return "\n".join([self.title, "", *self.answers, "", table, "", *self.lines])

    def html(self) -> str:
        """Return the same words as HTML for a notebook."""
        answers, lines = (
            "".join(f"<p>{escape(line)}</p>" for line in some)
            for some in (self.answers, self.lines)
        )
        head = f"<p><b>{escape(self.title)}</b></p>"
        return f"{head}{answers}{html_table(HEADS, self.rows)}{lines}"


@dataclass(frozen=True, eq=False)
class Rehearsed:
    """The figures of a rehearsal behind its table and sentences.

    The fields are those of :class:`dtfexp.dialin.rehearse.rehearsal.Rehearsal`.
    """

    session: Session
    schedule: tuple[int, ...]
    pass_rate: float
    confidence: float | None
    after_presses: int
    asked: int
    rehearsed: pd.DataFrame
    widths: pd.DataFrame


def table(rehearsal: Rehearsed) -> pd.DataFrame:
    """Return one row per fabric with the columns of ``Rehearsal.table``."""
    out = []
    for fabric, mine in rehearsal.rehearsed.groupby("fabric", sort=False):
        good = mine[mine["has_window"]]
        found = mine[mine["found"]]
        true_size = float(good["true_size"].sum())
        out.append(
            {
                "fabric": fabric,
                "rehearsals": len(mine),
                "with_window": len(good),
                "found": int(good["found"].sum()),
                "windows": len(found),
                "false": int((found["target_true"] < rehearsal.pass_rate).sum()),
                "size_share": float(good["size"].sum()) / true_size if true_size else np.nan,
                "box_good": float(found["box_good"].mean()),
                "target_true": float(found["target_true"].mean()),
                "target_stated": float(found["target_stated"].mean()),
            }
        )
    return pd.DataFrame(out)


def summary(rehearsal: Rehearsed) -> RehearsalSummary:
    """Return the table as texts, and its meaning for the shop."""
    rows = []
    for row in table(rehearsal).to_dict("records"):
        rows.append(
            (
                str(row["fabric"]),
                f"{row['with_window']} of {row['rehearsals']}",
                f"{row['found']} of {row['with_window']}",
                f"{row['false']} of {row['windows']}",
                _percent(row["size_share"]),
                _percent(row["box_good"]),
                _percent(row["target_true"]),
                _percent(row["target_stated"]),
            )
        )
    count = rehearsal.rehearsed["rehearsal"].nunique()
    batches = " + ".join(map(str, rehearsal.schedule))
    title = f"Rehearsal of {rehearsal.session.name}: {batches} presses on {count} simulated benches"
    return RehearsalSummary(title, tuple(answers(rehearsal)), tuple(rows), tuple(_lines(rehearsal)))


def so_far(found: Mapping[str, int], benches: int, hours: float, garments: float) -> str:
    """Return the answer from the first ``benches``.

    ``found``: windows of each fabric; ``hours``, ``garments``: of all of them.
    """
    told = []
    for fabric, count in found.items():
        low, high = wilson_interval(count, benches)
        told.append(f"{fabric} {100 * low:.0f} to {100 * high:.0f} %")
    drawn = count_phrase(benches, "drawn bench", "drawn benches")
    return (
        f"From {drawn} so far, your chance to end with a window: {', '.join(told)}; it takes about "
        f"{hours / benches:.1f} hours and {garments / benches:.0f} garments or swatches."
    )


def answers(rehearsal: Rehearsed) -> list[str]:
    """Return whether the presses are enough, for each fabric, and what they take."""
    told, last = [], rehearsal.schedule[-1]
    for fabric, mine in rehearsal.rehearsed.groupby("fabric", sort=False):
        found, count = int(mine["found"].sum()), len(mine)
        low, high = wilson_interval(found, count)
        line = (
            f"{fabric}: with these presses, your chance to end with a window is "
            f"{_percent(found / count)} ({found} of {count} benches; 90 % interval "
            f"{100 * low:.0f} to {100 * high:.0f} %)"
        )
        more = mine["found_with_more"].dropna()
        if len(more):
            # By the benches on which both are known: what the two batches added there.
            added = float((more - mine.loc[more.index, "found"]).mean())
            with_more = min(max(found / count + added, 0.0), 1.0)
            line += f"; two more batches of {last} would make it {_percent(with_more)}"
        told.append(f"{line}.")
    each = rehearsal.rehearsed.drop_duplicates("rehearsal")
    mean = each[["presses", "hours", "garments", "film"]].mean()
    told.append(
        f"It takes {mean['hours']:.1f} hours of a person (grading included), "
        f"{mean['garments']:.0f} garments or swatches and {mean['film']:.2f} m² of film, in "
        f"{mean['presses']:.1f} presses on average."
    )
    if len(each) < rehearsal.asked:
        told.append(f"Stopped after {len(each)} of {rehearsal.asked} rehearsals: a rougher answer.")
    return told


def _percent(share: float) -> str:
    return "-" if np.isnan(share) else f"{100 * share:.0f} %"


def _lines(rehearsal: Rehearsed) -> list[str]:
    lines = []
    rate = _percent(rehearsal.pass_rate)
    for row in table(rehearsal).to_dict("records"):
        name, some = row["fabric"], row["with_window"]
        if not some:
            lines.append(f"{name}: no bench drawn had a true window ({rate} of prints pass).")
        else:
            lines.append(
                f"{name}: {some} of {row['rehearsals']} benches had a true window ({rate} of "
                f"prints pass); one was found on {row['found']} of them."
            )
        if row["windows"]:
            lines.append(
                f"{name}: {row['false']} of {row['windows']} windows were false (fewer than {rate} "
                "truly pass at the target)."
            )
            lines.append(f"{name}: median width of the windows: {_widths(rehearsal, name)}.")
    return [*lines, *_stopped_lines(rehearsal), _known(rehearsal)]


def _widths(rehearsal: Rehearsed, fabric: str) -> str:
    mine = rehearsal.widths[rehearsal.widths["fabric"] == fabric]
    told = []
    for factor in rehearsal.session.factors:
        width = mine.loc[mine["setting"] == factor.name, "width"]
        if len(width):
            told.append(f"{factor.name} {width.median():g} {factor.unit}".rstrip())
    return ", ".join(told) if told else "words only"


def _stopped_lines(rehearsal: Rehearsed) -> list[str]:
    each = rehearsal.rehearsed.drop_duplicates("rehearsal")
    stopped = int(each["stopped"].sum())
    if not stopped:
        return []
    return [
        f"{stopped} of {len(each)} stopped early: another batch would hardly have changed "
        "the windows."
    ]


def _known(rehearsal: Rehearsed) -> str:
    if rehearsal.after_presses:
        return f"The benches agree with the {rehearsal.after_presses} presses recorded so far."
    return "There are no results of your bench yet: the benches differ as shops do."
