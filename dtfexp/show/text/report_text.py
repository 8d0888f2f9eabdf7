"""The sentences of the report and the card; every number in them comes from a finding."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import pandas as pd

from dtfexp.describe.fields import and_list, count_phrase
from dtfexp.dialin.confirm import press_verdicts
from dtfexp.dialin.confirm.terms import Terms, presses_to_confirm
from dtfexp.show.text.edge_text import (
    LIMIT,
    OWN_RANGE,
    RANGE,
    TOGETHER,
    alone_span,
    core_span,
    edges,
    nearer_margin,
    reason,
    window_span,
)  # fmt: skip
from dtfexp.show.text.number_format import (
    NumberFormat,
    at_least,
    between,
    label,
    out_of_text,
    per_cent,
)  # fmt: skip

if TYPE_CHECKING:
    from dtfexp.describe.session import Session
    from dtfexp.dialin.window.window import Window
    from dtfexp.show.text.fabric_results import FabricResult

FEW = 8
"""Number of graded presses of a fabric below which they are called few (our own choice)."""


def settings_line(session: Session, settings: Mapping[str, object], reading: NumberFormat) -> str:
    """Return a set-point in one line: "cure temperature 125 °C, cure time 60 s"."""
    return ", ".join(
        f"{label(factor.name)} {reading.text(factor, settings[factor.name])}"
        for factor in session.factors
    )


def shown_rate(finding: FabricResult) -> str:
    """Return the pass rate at the target in few words; says so while nothing is proven."""
    return finding.window.stated + ("" if finding.window.proven else " (not proven)")


def rate_interval(finding: FabricResult) -> str:
    """Return the interval of the true pass rate at the target; says whose it is until pressed."""
    rate = finding.target
    pressed = finding.window.presses_at_target
    whose = "true rate" if pressed else "by the fit alone the true rate is"
    return f"{whose} {between(rate.low, rate.high)} with 90\u00a0% probability"


def presses_line(finding: FabricResult) -> str:
    """Return what it rests on: presses in all, inside the window, at the target, confirmed."""
    window = finding.window
    told = count_phrase(window.presses, "press", "presses") + " in all"
    if window.found:
        told += f", {window.presses_inside} inside the window"
    return f"{told}, {window.presses_at_target} at the target; {confirmed_text(finding)}"


def confirmed_text(finding: FabricResult) -> str:
    """Return how far the target is confirmed without the model: "confirmed 3 of 22"."""
    window, (passed, tried) = (
        finding.window,
        press_verdicts.passed_and_judged(list(finding.at_target)),
    )
    sure = window.required_confidence or Terms.confidence
    needed = presses_to_confirm(window.required, sure, tried - passed)
    failed = f", {tried - passed} failed" if tried > passed else ""
    return f"confirmed {tried} of {needed}{failed}"


def span_lines(window: Window, session: Session, reading: NumberFormat) -> list[str]:
    """Return one line per setting: target, window, its proven part, this setting alone."""
    lines = []
    for factor in session.factors if window.target else ():
        told = f"{label(factor.name)}: {reading.text(factor, window.target[factor.name])}"
        if window.found:
            told += f", window {window_span(window, factor, reading)}"
            told += f", proven {core_span(window, factor, reading)}"
        if window.alone.get(factor.name):
            told += f", alone {alone_span(window, factor, reading)}"
        lines.append(told)
    return lines


def unpressed(window: Window) -> list[str]:
    """Return what is computed and not yet pressed: the window, or only its target."""
    if window.found and not window.presses_inside:
        return ["window computed, not yet pressed"]
    return [] if window.presses_at_target else ["target computed, not yet pressed"]


def caveats(finding: FabricResult) -> list[str]:
    """Return why this fabric's result is not final; empty when it is."""
    if finding.closed:
        return ["it cannot be pressed"]
    said = []
    if not finding.window.found:
        said.append("no window is found")
    if finding.window.presses == 0:
        said.append("no press is graded yet")
    elif finding.window.presses < FEW:
        said.append(
            f"only {count_phrase(finding.window.presses, 'press is', 'presses are')} graded"
        )
    if finding.waiting:
        number = count_phrase(len(finding.waiting), "press still waits", "presses still wait")
        said.append(f"{number} for a grade")
    if finding.planned and finding.window.presses:
        number = count_phrase(len(finding.planned), "planned press is", "planned presses are")
        said.append(f"{number} not graded yet")
    return said


def status(finding: FabricResult) -> str:
    """Return the state of a fabric in two or three words."""
    if finding.closed:
        return "cannot be pressed"
    if not finding.window.found:
        return "no window"
    settled = not finding.window.cautious and not caveats(finding)
    return "window found" if settled else "may still move"


def glance_title(findings: Sequence[FabricResult]) -> str:
    """Return the title of the table of all targets; settings without a window are marked."""
    found = sum(finding.window.found for finding in findings)
    if found == len(findings):
        return "What to set"
    return "What to set; without a window, the best known" if found else "Best known, no window"


def next_steps(finding: FabricResult, session: Session, reading: NumberFormat) -> list[str]:
    """Return what to do next for one fabric, most urgent first."""
    window = finding.window
    if finding.closed:
        return [reason(session, window, reading)]
    todo = []
    if finding.waiting:
        which = and_list([str(press) for press in finding.waiting], 8)
        noun = "press" if len(finding.waiting) == 1 else "presses"
        todo.append(f"Record the missing grades of {noun} {which}; the result may move.")
    if finding.planned:
        which = and_list([str(press) for press in finding.planned], 8)
        noun = "press" if len(finding.planned) == 1 else "presses"
        todo.append(f"Make and grade {noun} {which}: planned, not graded yet.")
    if not window.found:
        todo.append(reason(session, window, reading))
        if not window.out_of_reach:
            todo.append(
                "Then press and grade the next batch (dtfexp next LOGBOOK --presses 8); report "
                "again."
            )
    if window.found:
        todo.append(_confirm_step(finding))
    if finding.outlying_presses:
        which = and_list([str(press) for press in finding.outlying_presses], 6)
        noun = "press" if len(finding.outlying_presses) == 1 else "presses"
        todo.append(
            f"Check {noun} {which}, a surprise: a mishap, a reading error, or a cause outside the"
            " settings."
        )
    if not window.found:
        return todo
    tight = [
        label(factor.name)
        for factor in session.factors
        if factor.is_numeric and factor.spread and nearer_margin(window, factor) < 1
    ]
    if tight:
        todo.append(
            f"Small allowance in {and_list(tight)}: the target is closer to an edge than the"
            " machine's spread. Measure the machine and check first pieces with care."
        )
    unknown = [edge for edge in edges(session, window, reading) if not edge.known]
    beyond = [
        f"{label(edge.factor.name)} {edge.where}"
        for edge in unknown
        if edge.stopped not in (LIMIT, RANGE, OWN_RANGE, TOGETHER)
    ]
    if beyond:
        todo.append(f"For a larger window, test {and_list(beyond, 4)}, the others at the target.")
    ends = [edge for edge in unknown if edge.stopped == RANGE and edge.factor.is_numeric]
    if ends:
        where = [f"{label(edge.factor.name)} {edge.where}" for edge in ends]
        todo.append(f"Not tested: {and_list(where, 4)}. Widen the range to learn more there.")
    return todo


def _confirm_step(finding: FabricResult) -> str:
    """Return how many presses at the target prove it without the model."""
    passed, tried = press_verdicts.passed_and_judged(list(finding.at_target))
    window, failed = finding.window, tried - passed
    sure = window.required_confidence or Terms.confidence
    left = max(presses_to_confirm(window.required, sure, failed) - tried, 0)
    if not left:
        return f"Confirmed without the model: {tried} presses at the target, {failed} failed."
    return (
        f"Press {left}{' more' if tried else ''} at the target, over several loads and rounds: if"
        f" none fails, they prove {per_cent(window.required)} with {per_cent(sure)} confidence,"
        " without the model."
    )


def usual_line(finding: FabricResult, session: Session, reading: NumberFormat) -> str:
    """Return the expected result of the usual settings, or that they are the target."""
    window = finding.window
    hot = session.too_hot_today(finding.fabric)
    if hot:
        told = and_list(
            [f"{label(n)} {reading.text(session.factor(n), v)}" for n, v in hot.items()]
        )
        return f"Today's {told} may be too hot for this fabric on this press: do not press at it."
    if window.stay:
        return "The target is what the shop runs today: stay with it."
    gain = ""
    if math.isfinite(window.gain_chance):
        gain = f"; the target is better with {at_least(window.gain_chance)} probability"
    rates = f"{out_of_text(finding.usual.pass_rate)} to pass"
    if window.cautious:
        # The headline is the cautious end; two settings are compared by the same measure.
        rates += f", {out_of_text(finding.target.pass_rate)} at the target"
    settings = settings_line(session, finding.usual_settings, reading)
    return f"Today's settings ({settings}): the fit expects {rates}{gain}."


def importance_line(finding: FabricResult) -> str:
    """Return which settings move the pass rate most over the planned range."""
    parts = [
        f"{label(name)} ({round(100 * share):d} points)"
        for name, share in finding.range_effects.items()
    ]
    return f"Moved alone over its range, each setting changes the pass rate by: {and_list(parts)}."


def observed_lines(finding: FabricResult) -> list[str]:
    """Return the counts of passed presses with Wilson 90 % intervals."""
    inner = [word for word, flag in zip(finding.verdicts, finding.within, strict=True) if flag]
    said = []
    for place, words in (("in all, edges included", finding.verdicts), ("in the window", inner)):
        passed, tried = press_verdicts.passed_and_judged(words)
        if tried:
            low, high = press_verdicts.wilson_interval(passed, tried)
            said.append(f"{passed} of {tried} {place} ({between(low, high)})")
    return (
        [f"Presses that passed: {and_list(said)}; Wilson intervals at 90\u00a0%."] if said else []
    )


def summary(findings: Sequence[FabricResult]) -> list[tuple[str, str]]:
    """Return three lines, each (label, sentence), the state of the proof first."""
    return [
        ("Result", _result_line(findings)),
        ("Rests on", _evidence_line(findings)),
        ("Next", _first_step(findings)),
    ]


def _result_line(findings: Sequence[FabricResult]) -> str:
    proven = [f.name for f in findings if f.window.found]
    open_ = [f for f in findings if not f.window.found and not f.closed]
    closed = [f.name for f in findings if f.closed]
    said = []
    if closed:
        said.append(f"{and_list(closed, 4)} cannot be pressed: see below.")
    if open_:
        names = and_list([f.name for f in open_], 4)
        said.append(f"No window is found yet for {names}: do not sell with those settings.")
    if proven:
        said.append(f"A window was found for {and_list(proven, 6)}.")
    early = [f.name for f in findings if f.window.found and f.window.presses < FEW]
    if early:
        said.append(f"{and_list(early, 4)} had few presses; take the result as a first look.")
    waiting = sum(len(f.waiting) + len(f.planned) for f in findings)
    if waiting and any(f.window.presses for f in findings):
        number = count_phrase(waiting, "press still waits", "presses still wait")
        said.append(f"{number} for grades, so this may move.")
    return " ".join(said)


def _evidence_line(findings: Sequence[FabricResult]) -> str:
    presses = sum(f.window.presses for f in findings)
    if presses == 0:
        return "Nothing is graded yet: all numbers are prior assumptions."
    loads: set[int] = set()
    rounds: set[int] = set()
    for finding in findings:
        # A Series, not a list: an empty list would select no columns for a fabric without presses.
        ungraded = (press_verdicts.EXCLUDED, press_verdicts.PLANNED)
        kept = pd.Series([word not in ungraded for word in finding.verdicts], dtype=bool)
        settled = finding.presses[kept.to_numpy()]
        loads |= set(settled["oven_load"])
        rounds |= set(settled["press_round"])
    inner = [
        word for f in findings for word, flag in zip(f.verdicts, f.within, strict=True) if flag
    ]
    passed, tried = press_verdicts.passed_and_judged(inner)
    text = (
        f"{count_phrase(presses, 'graded press', 'graded presses')} in"
        f" {count_phrase(len(loads), 'oven load')} and {count_phrase(len(rounds), 'press round')}"
    )
    if tried:
        return f"{text}; inside the windows {passed} of {tried} passed."
    if any(finding.window.found for finding in findings):
        return f"{text}, none inside a window: the rates shown are cautious."
    return f"{text}."


def _first_step(findings: Sequence[FabricResult]) -> str:
    """Return the most urgent step; the sections of the fabrics give reasons and the rest."""
    lacking = [finding.name for finding in findings if finding.waiting or finding.planned]
    if lacking:
        return f"Make and grade what is planned for {and_list(lacking, 4)}."
    open_ = [one for one in findings if not one.window.found and one.window.target]
    if open_:
        names = [one.name for one in open_ if not one.window.out_of_reach]
        stuck = [one.name for one in open_ if one.window.out_of_reach]
        more = f"Press more of {and_list(names, 4)}: dtfexp next LOGBOOK --presses 8."
        first = f"First see to what stands in the way on {and_list(stuck, 4)}."
        return " ".join([more] * bool(names) + [first] * bool(stuck))
    found = [finding.name for finding in findings if finding.window.found]
    if not found:
        return "Change limits, ranges or machines: no fabric can be pressed."
    targets = "target" if len(found) == 1 else "targets"
    return f"Confirm the {targets} of {and_list(found, 4)} before you sell."
