"""Published split-plots as results of a bench: the whole plot is an oven load."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from dtfexp import Factor, Outcome, Session
from dtfexp.dialin.encode.results import check_results

DATA = Path(__file__).parent / "data"
Told = tuple[Session, pd.DataFrame, str]


def _told(frame: pd.DataFrame, whole: str, sub: str, value: str) -> Told:
    """``whole`` is set per load, ``sub`` per press; ``load`` and perhaps ``block`` are columns."""
    levels = {name: tuple(sorted(frame[name].astype(str).unique())) for name in (whole, sub)}
    session = Session(
        value,
        (Factor(whole, levels=levels[whole], stage="cure"), Factor(sub, levels=levels[sub])),
        (Outcome(value, 0, 250, 100, kind="measured"),),
        ("field",),
    )
    results = frame[[value]].assign(
        press=range(1, len(frame) + 1),
        oven_load=frame["load"],
        **{name: frame[name].astype(str) for name in (whole, sub)},
    )
    if "block" in frame:
        results["block"] = frame["block"]
    return session, check_results(session, results), value


def oats() -> Told:
    """Yates 1935, Complex experiments, J. R. Statist. Soc. Suppl. 2:181: 6 blocks, variety per
    whole plot, nitrogen per subplot."""
    frame = pd.read_csv(DATA / "oats.csv").rename(columns={"Block": "block"})
    frame["load"] = pd.factorize(frame["block"] + frame["Variety"])[0] + 1
    return _told(frame, "Variety", "nitro", "yield")


def stroup() -> Told:
    """Stroup 1989, in Applications of Mixed Models in Agriculture and Related Disciplines,
    Southern Cooperative Series Bulletin 343: 4 blocks, A per whole plot, B per subplot."""
    frame = pd.read_csv(DATA / "stroup.csv").rename(columns={"Block": "block"})
    frame["load"] = 10 * frame["block"] + frame["A"]
    return _told(frame, "A", "B", "Y")


def corrosion() -> Told:
    """Box, Hunter & Hunter 2005, Statistics for Experimenters, 2nd ed., ch. 9: six furnace heats,
    temperature per heat, four coatings inside each; from memory."""
    frame = pd.read_csv(DATA / "corrosion.csv").drop(columns="block")
    return _told(frame.rename(columns={"heat": "load"}), "temp", "coat", "resist")
