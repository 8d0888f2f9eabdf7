"""What a logbook's presses say today: those of before a noted change are carried over, not mixed
in as if nothing had happened."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from dtfexp.dialin.recalibrate.redial import CHANGES, Redial, redial
from dtfexp.dialin.recalibrate.shift import graded_rows

if TYPE_CHECKING:
    import pandas as pd

    from dtfexp.describe.session import Session


def redialled(
    session: Session, results: pd.DataFrame, changes: pd.DataFrame, fabric: str | None = None
) -> Redial | None:
    """The session dialled in again since the last change noted; None when there was none.

    changes: a frame as of ``changes.frame``.  fabric: whose target the first new presses lie
    beside (default: the one with most grades before the change).  A new fabric is no change to the
    others; it is one to itself when it is the ``fabric`` asked for.  Presses from before several
    changes are moved once for each, the later moves by the middle of what the presses in between
    said.
    """
    if fabric is not None:
        fabric = session.fabric(fabric).name
    noted = _with_presses_between(changes, results, session)
    press = results["press"]
    known = None
    for k, (what, after) in enumerate(noted):
        end = noted[k + 1][1] if k + 1 < len(noted) else math.inf
        earlier = results[press <= after] if known is None else known.on_todays_dial()
        chosen = fabric or _most_graded_fabric(earlier, session)
        now = results[(press > after) & (press <= end)]
        known = redial(session, earlier, chosen, changed=what, now=now)
    added = changes.loc[changes["what"] == "fabric", "after_press"]
    if known is None and fabric is not None and len(added):
        old = results[press <= added.max()]
        graded = graded_rows(session, old)
        if graded.any() and not (graded & (old["fabric"] == fabric)).any():
            now = results[press > added.max()]
            known = redial(session, old, fabric, changed="fabric", now=now)
    return known


def _with_presses_between(
    changes: pd.DataFrame, results: pd.DataFrame, session: Session
) -> list[tuple[str, int]]:
    """(what, after_press) in order; of changes with no grade between them only the one that leaves
    least of what was known."""
    graded = results.loc[graded_rows(session, results), "press"]
    found: dict[int, tuple[str, int]] = {}
    rows = changes.sort_values("after_press", kind="stable")
    for what, after in zip(rows["what"], rows["after_press"], strict=True):
        known = int((graded <= after).sum())
        if what == "fabric" or not known:
            continue
        before = found[known][0] if known in found else what
        least = min(before, what, key=lambda one: CHANGES[one].correlation)
        found[known] = (least, after)
    return list(found.values())


def _most_graded_fabric(results: pd.DataFrame, session: Session) -> str:
    graded = results.loc[graded_rows(session, results), "fabric"]
    return str(graded.mode().iloc[0])
