"""dtfexp: dial in a direct-to-film transfer bench with few test presses.

Describe a session, plan test presses, record wash and peel grades, fit, and get for each fabric
a window of settings that keeps a stated pass rate, with a report and a card for the wall.

The names below are the whole public contract. Each is loaded when first used, so that
``import dtfexp`` stays quick.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from dtfexp.version import __version__ as __version__

if TYPE_CHECKING:
    from dtfexp.book.diagnosing import diagnose as diagnose
    from dtfexp.describe.errors import DtfexpError as DtfexpError
    from dtfexp.describe.errors import LogbookError as LogbookError
    from dtfexp.describe.errors import PlanError as PlanError
    from dtfexp.describe.errors import ResultsError as ResultsError
    from dtfexp.describe.errors import SessionError as SessionError
    from dtfexp.describe.fabric import Fabric as Fabric
    from dtfexp.describe.factor import Factor as Factor
    from dtfexp.describe.outcome import Outcome as Outcome
    from dtfexp.describe.session import Session as Session
    from dtfexp.dialin.confirm.confirmation import confirmation_plan as confirmation_plan
    from dtfexp.dialin.confirm.success_run import presses_to_confirm as presses_to_confirm
    from dtfexp.dialin.confirm.verdict import verdict as verdict
    from dtfexp.dialin.design.plan import Plan as Plan
    from dtfexp.dialin.design.plan import plan as plan
    from dtfexp.dialin.design.plan_comparison import compare_plans as compare_plans
    from dtfexp.dialin.fit import Fit as Fit
    from dtfexp.dialin.fit import fit as fit
    from dtfexp.dialin.following.next_presses import next_presses as next_presses
    from dtfexp.dialin.monitor.watch import watch as watch
    from dtfexp.dialin.recalibrate.redial import redial as redial
    from dtfexp.dialin.rehearse.rehearsal import Rehearsal as Rehearsal
    from dtfexp.dialin.rehearse.rehearsal import rehearse as rehearse
    from dtfexp.dialin.window.window import Window as Window
    from dtfexp.show.recorder.bench_book import Logbook as Logbook
    from dtfexp.show.report.report import report as report
    from dtfexp.show.report.session_comparison import compare_windows as compare_windows

_HOME = {
    "Factor": "dtfexp.describe.factor",
    "Outcome": "dtfexp.describe.outcome",
    "Fabric": "dtfexp.describe.fabric",
    "Session": "dtfexp.describe.session",
    "DtfexpError": "dtfexp.describe.errors",
    "SessionError": "dtfexp.describe.errors",
    "PlanError": "dtfexp.describe.errors",
    "ResultsError": "dtfexp.describe.errors",
    "LogbookError": "dtfexp.describe.errors",
    "Plan": "dtfexp.dialin.design.plan",
    "plan": "dtfexp.dialin.design.plan",
    "compare_plans": "dtfexp.dialin.design.plan_comparison",
    "next_presses": "dtfexp.dialin.following.next_presses",
    "Fit": "dtfexp.dialin.fit",
    "fit": "dtfexp.dialin.fit",
    "Window": "dtfexp.dialin.window.window",
    "redial": "dtfexp.dialin.recalibrate.redial",
    "rehearse": "dtfexp.dialin.rehearse.rehearsal",
    "Rehearsal": "dtfexp.dialin.rehearse.rehearsal",
    "watch": "dtfexp.dialin.monitor.watch",
    "presses_to_confirm": "dtfexp.dialin.confirm.success_run",
    "confirmation_plan": "dtfexp.dialin.confirm.confirmation",
    "verdict": "dtfexp.dialin.confirm.verdict",
    "Logbook": "dtfexp.show.recorder.bench_book",
    "diagnose": "dtfexp.book.diagnosing",
    "compare_windows": "dtfexp.show.report.session_comparison",
    "report": "dtfexp.show.report.report",
}

__all__ = [
    "DtfexpError",
    "Fabric",
    "Factor",
    "Fit",
    "Logbook",
    "LogbookError",
    "Outcome",
    "Plan",
    "PlanError",
    "Rehearsal",
    "ResultsError",
    "Session",
    "SessionError",
    "Window",
    "compare_plans",
    "compare_windows",
    "confirmation_plan",
    "diagnose",
    "fit",
    "next_presses",
    "plan",
    "presses_to_confirm",
    "redial",
    "rehearse",
    "report",
    "verdict",
    "watch",
]


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'dtfexp' has no attribute {name!r}")
    value = getattr(import_module(_HOME[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *_HOME})
