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
    from dtfexp.book.learning import learn as learn
    from dtfexp.describe.errors import CouponError as CouponError
    from dtfexp.describe.errors import DtfexpError as DtfexpError
    from dtfexp.describe.errors import LogbookError as LogbookError
    from dtfexp.describe.errors import PlanError as PlanError
    from dtfexp.describe.errors import ResultsError as ResultsError
    from dtfexp.describe.errors import SessionError as SessionError
    from dtfexp.describe.experience import Experience as Experience
    from dtfexp.describe.fabric import Fabric as Fabric
    from dtfexp.describe.factor import Factor as Factor
    from dtfexp.describe.outcome import Outcome as Outcome
    from dtfexp.describe.session import Session as Session
    from dtfexp.dialin.confirm.confirmation import confirmation_plan as confirmation_plan
    from dtfexp.dialin.confirm.terms import presses_to_confirm as presses_to_confirm
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
    from dtfexp.show.paper.coupon_artwork import coupon_artwork as coupon_artwork
    from dtfexp.show.recorder.bench_book import Logbook as Logbook
    from dtfexp.show.report.report import report as report
    from dtfexp.show.report.session_comparison import compare_windows as compare_windows

#: Module -> the names that it gives.
_GIVEN = {
    "book.diagnosing": "diagnose",
    "book.learning": "learn",
    "describe.errors": "CouponError DtfexpError LogbookError PlanError ResultsError SessionError",
    "describe.experience": "Experience",
    "describe.fabric": "Fabric",
    "describe.factor": "Factor",
    "describe.outcome": "Outcome",
    "describe.session": "Session",
    "dialin.confirm.confirmation": "confirmation_plan",
    "dialin.confirm.terms": "presses_to_confirm",
    "dialin.confirm.verdict": "verdict",
    "dialin.design.plan": "Plan plan",
    "dialin.design.plan_comparison": "compare_plans",
    "dialin.fit": "Fit fit",
    "dialin.following.next_presses": "next_presses",
    "dialin.monitor.watch": "watch",
    "dialin.recalibrate.redial": "redial",
    "dialin.rehearse.rehearsal": "Rehearsal rehearse",
    "dialin.window.window": "Window",
    "show.paper.coupon_artwork": "coupon_artwork",
    "show.recorder.bench_book": "Logbook",
    "show.report.report": "report",
    "show.report.session_comparison": "compare_windows",
}
_HOME = {name: f"dtfexp.{home}" for home, names in _GIVEN.items() for name in names.split()}
__all__ = sorted(_HOME)  # noqa: PLE0605


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'dtfexp' has no attribute {name!r}")
    value = getattr(import_module(_HOME[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *_HOME})
