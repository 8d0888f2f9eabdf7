"""The status of a logbook: presses by what they wait for, verdicts per fabric, the next step."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from dtfexp.book import kept_verdicts
from dtfexp.book.kept_verdicts import Verdict
from dtfexp.describe.fields import and_list

if TYPE_CHECKING:
    from datetime import datetime

    from dtfexp.book.logbook import Logbook
    from dtfexp.describe.session import Session
    from dtfexp.dialin.fit import Fit
    from dtfexp.dialin.window.window import Window

#: What can be next: ``Status.step``.
PLAN, PRESS, GRADE, NEXT, CONFIRM, DESCRIBE = (
    "plan", "press", "grade", "next", "confirm", "describe",
)  # fmt: skip


@dataclass(frozen=True)
class Presses:
    """The presses of a logbook, each named in exactly one group; known without a fit.

    ``not_pressed``, ``graded``, ``left_out``: press numbers; ``waiting``: the missing outcomes
    ("peel, wash") -> press numbers; ``taken_back``: presses of plans taken back.
    """

    session: str
    not_pressed: tuple[int, ...]
    waiting: Mapping[str, tuple[int, ...]]
    graded: tuple[int, ...]
    left_out: tuple[int, ...]
    taken_back: tuple[int, ...]
    last_entry: datetime | None

    @property
    def groups(self) -> list[tuple[str, tuple[int, ...]]]:
        """The presses as (state, numbers), empty states left out."""
        found = [
            ("planned, not pressed yet", self.not_pressed),
            *((f"waiting for {lacking}", numbers) for lacking, numbers in self.waiting.items()),
            ("graded", self.graded),
            ("left out of the fit", self.left_out),
            ("plan taken back", self.taken_back),
        ]
        return [(state, numbers) for state, numbers in found if numbers]


@dataclass(frozen=True)
class Status(Presses):
    """The status of a logbook: its presses, its verdicts and what is next.

    ``refused``: press -> why it must not be made as planned; ``hotter``: sentences on heat presses
    read hotter than allowed for. ``step`` is one of this module's steps, ``next_step`` says it in a
    sentence.
    """

    refused: Mapping[int, str]
    hotter: tuple[str, ...]
    verdicts: tuple[Verdict, ...]
    step: str
    next_step: str


def presses_of(book: Logbook) -> Presses:
    """Return the presses of ``book`` by what they wait for."""
    with book.one_view():
        results, lacking = book.results(), book.waiting()
        taken_back, history = book.taken_back(), book.history()
    unmade = ~lacking["pressed"].astype(bool)
    out = results["excluded"] & ~results["press"].isin(taken_back)
    graded = ~results["excluded"] & ~results["press"].isin(lacking["press"])
    times = [time for time in history["time"] if time is not None]
    return Presses(
        session=book.session.name,
        not_pressed=_numbers(lacking.loc[unmade, "press"]),
        waiting={
            str(outcomes): _numbers(rows["press"])
            for outcomes, rows in lacking[~unmade].groupby("waiting_for", sort=False)
        },
        graded=_numbers(results.loc[graded, "press"]),
        left_out=_numbers(results.loc[out, "press"]),
        taken_back=taken_back,
        last_entry=max(times, default=None),
    )


def status(book: Logbook, fitted: Fit | None = None, key: str = "") -> Status:
    """Return the status of ``book``.

    ``fitted``: ``book.bench.fitted()`` where it is at hand, and ``key``: ``kept_verdicts.key_of``
    the book before. Without a grade nothing is fitted, nor where nothing changed since the last.
    """
    presses, results = presses_of(book), book.results()
    judged = ~results["excluded"].to_numpy() & (
        results[[outcome.name for outcome in book.session.outcomes]].notna().any(axis=1).to_numpy()
    )
    true = book.bench.true_settings()
    session = true.session(book.session)
    key = key if fitted is not None else kept_verdicts.key_of(book)
    verdicts = kept_verdicts.kept(book, key) if fitted is None else None
    if verdicts is None:
        if not judged.any():
            fitted = None
        elif fitted is None:
            fitted = book.bench.fitted()
        verdicts = tuple(_verdict(session, fabric.name, fitted) for fabric in session.fabrics)
        if fitted is not None:
            kept_verdicts.keep(book, key, verdicts)
    step, sentence = _next_step(presses.not_pressed, presses.waiting, verdicts)
    return Status(
        **vars(presses),
        refused=book.bench.refused(session),
        hotter=tuple(true.hotter_lines(session)),
        verdicts=verdicts,
        step=step,
        next_step=sentence,
    )


def press_list(numbers: Iterable[int]) -> str:
    """Return press numbers in few words: "1-4, 7"."""
    runs: list[list[int]] = []
    for number in sorted(numbers):
        if runs and number == runs[-1][1] + 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    return ", ".join(f"{low}" if low == high else f"{low}-{high}" for low, high in runs)


def named(numbers: tuple[int, ...]) -> str:
    """Return presses with their noun: "press 7", "presses 1-4, 7"."""
    return f"press{'es' * (len(numbers) > 1)} {press_list(numbers)}"


def still_wait(book: Logbook) -> str:
    """Return why no next presses are planned: planned ones are not pressed yet; else ""."""
    waits = presses_of(book).not_pressed
    if not waits:
        return ""
    return f"planned already and not pressed yet: {named(waits)}; make and record them first"


def verdict_sentence(window: Window) -> str:
    """Return the verdict on a fabric: the expected result, or what stands in the way."""
    if window.found:
        return f"window found{', may still move' * window.cautious}. {window.expectation}"
    return f"no window yet. {window.reason}"


def _verdict(session: Session, fabric: str, fitted: Fit | None) -> Verdict:
    shut = session.nothing_left(fabric)
    if shut:
        return Verdict(fabric, f"cannot be pressed. {shut}.", closed=True)
    if fitted is None:
        return Verdict(fabric, "no grade yet.")
    window = fitted.window(fabric)
    return Verdict(
        fabric, verdict_sentence(window), looked=True, found=window.found,
        proven=bool(window.proven), out_of_reach=window.out_of_reach,
    )  # fmt: skip


def _next_step(
    not_pressed: tuple[int, ...],
    waiting: Mapping[str, tuple[int, ...]],
    verdicts: tuple[Verdict, ...],
) -> tuple[str, str]:
    """Return what to do next (a step) and its sentence: press, then grade, then decide."""
    open_ones = [one for one in verdicts if not one.closed]
    grade = "; ".join(f"{outcomes} of {named(which)}" for outcomes, which in waiting.items())
    if not_pressed:
        more = f" Still to grade: {grade}." if grade else ""
        return PRESS, f"Make and grade {named(not_pressed)}.{more}"
    if grade:
        return GRADE, f"Grade {grade}."
    if not open_ones:
        return DESCRIBE, "No fabric can be pressed: change limits, ranges or machines."
    if not any(one.looked for one in open_ones):
        return PLAN, "Plan a first look: nothing is planned."
    lacking = [one for one in open_ones if not one.found]
    stuck = [one.fabric for one in lacking if one.out_of_reach]
    if lacking:
        names = [one.fabric for one in lacking if not one.out_of_reach]
        said = f"Ask for the next presses of {and_list(names, 4)}: no window yet." if names else ""
        if stuck:
            said += f" First see to what stands in the way on {and_list(stuck, 4)}."
        return NEXT if names else DESCRIBE, said.strip()
    unproven = [one.fabric for one in open_ones if not one.proven]
    if unproven:
        return NEXT, (
            f"Ask for the next presses: nothing is proven yet on {and_list(unproven, 4)}."
        )
    targets = "target" if len(open_ones) == 1 else "targets"
    return CONFIRM, f"Confirm the {targets} with fresh presses before you sell."


def _numbers(column: Iterable[int]) -> tuple[int, ...]:
    return tuple(sorted(int(number) for number in column))
