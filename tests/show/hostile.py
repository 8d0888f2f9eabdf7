"""A bench described by somebody who means harm: every name is HTML that would run or fetch.

``outputs`` walks everything that a notebook shows, the report, and the form. The host of the
fetches is reserved for tests (RFC 2606): no such name exists.
"""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pandas as pd

from dtfexp import Fabric, Factor, Logbook, Outcome, Session, fit, plan
from dtfexp.book.bench.machine_readings import maps
from dtfexp.dialin.confirm.terms import Terms
from dtfexp.dialin.confirm.verdict import Verdict
from dtfexp.dialin.design.plan_comparison import compare_plans
from dtfexp.dialin.monitor.watch import Watch
from dtfexp.dialin.rehearse.rehearsal import Rehearsal
from dtfexp.dialin.rehearse.rehearsal_summary import HEADS, RehearsalSummary
from dtfexp.shop import keeping, steps
from dtfexp.show.notebook import panel
from dtfexp.show.notebook.cells import show_line, show_map, show_window
from dtfexp.show.notebook.explorer import Explorer
from dtfexp.show.notebook.learnt import show_learnt
from dtfexp.show.recorder.recording import FormServer
from dtfexp.show.report.report import write_papers

IMAGE = "<img src=http://evil.invalid/a onerror=ran=1>"
SCRIPT = "</script><script>ran=1</script>"
HANDLER = '"onmouseover="ran=1" x="'
FRAME = "</td><svg/onload=ran=1><iframe src=//evil.invalid>"
LINK = "</title></style><link rel=stylesheet href=//evil.invalid>"
#: A full-width sign is read as a formula by some spreadsheets, and a name may begin with it.
WIDE = "＝1+1"
NAMES = (IMAGE, SCRIPT, HANDLER, FRAME, LINK)


def session() -> Session:
    return Session(
        f"session {LINK}",
        [
            Factor(f"heat {IMAGE}", 150, 170, "°C", 5, usual=160, spread=3),
            Factor(f"cure {HANDLER}", 40, 80, "s", 10, "cure", usual=60),
            Factor(f"peel {SCRIPT}", levels=(f"hot{FRAME}", f"cold{IMAGE}")),
        ],
        [Outcome(f"look {FRAME}"), Outcome(f"wash {SCRIPT}", washes=5)],
        [Fabric(f"cotton {IMAGE}", 170, "°C", notes=SCRIPT), Fabric(f"{WIDE} {HANDLER}")],
        film=IMAGE,
    )


def recorded(path: Path) -> Logbook:
    """A logbook of a few presses, with hostile notes, defects, recorders, blocks and files."""
    described = session()
    book = Logbook.create(path / "shop.dtfbook", described, by=IMAGE)
    book.add(plan(described, 8))
    runs = book.runs()
    for press in runs["press"].tolist()[:6]:
        grades = {outcome.name: 3 + press % 3 for outcome in described.outcomes}
        book.record(press, grades, [SCRIPT.replace(";", ""), "bubbles"], note=FRAME, block=HANDLER)
    book.exclude(runs["press"].iloc[6], f"because {IMAGE}")
    book.bench.map(
        described.factors[0].name, 160, [160 + k % 3 for k in range(9)], id=f"{HANDLER}>"
    )
    book.bench.count(described.fabrics[0].name, 20, 2, symptoms=f"{IMAGE}: 2", note=SCRIPT)
    return book


def fragments(book: Logbook, folder: Path) -> dict[str, str]:
    """What every cell shows and every paper says, as HTML, by name."""
    described, results = book.session, book.results()
    made, fitted = plan(described, 8), fit(described, results)
    fabric = described.fabrics[0].name
    (folder / "shop<img src=x>.csv").write_text(
        f"press,zzz <b onclick=ran=1>,note\n1,1,{FRAME}\n", encoding="utf-8"
    )
    verdict = Verdict(fabric, Terms(), HANDLER, 3, 3, 0, 0.9, 0.8, 1, 0.8, 1, 0.9, SCRIPT, (IMAGE,))
    days = pd.DataFrame({"counted": [True], "pressed": [20], "failed": [2]})
    watch = Watch(**dict.fromkeys(Watch.__dataclass_fields__, 1) | {
        "fabric": fabric, "days": days, "alarms": (), "usual": .1, "caught": .2, "sizes": (20,),
        "run_days": 100.0, "catch_days": 3})  # fmt: skip
    summary = RehearsalSummary(IMAGE, (HANDLER,), (tuple([HANDLER] * len(HEADS)),), (SCRIPT,))
    notes = book.kept("map")
    found: dict[str, Any] = {
        "session": described,
        "plan": made,
        "check": made.check(),
        "comparison": compare_plans([made, made]),
        "cost": made.cost(),
        "fit": fitted,
        "rehearsal": Rehearsal._repr_html_(SimpleNamespace(summary=summary)),  # type: ignore[arg-type]
        "verdict": verdict,
        "verdict panel": panel.verdict_panel(verdict),
        "terms": panel.terms_panel(Terms(), fabric),
        "watch": watch,
        "imported": book.import_sheet(folder / "shop<img src=x>.csv"),
        "run sheet": steps.run_sheet(book),
        "history": book.history(),
        "results": results,
        "told": steps.what_it_tells(book),
        "costs": steps.costs(book),
        "causes": keeping.causes(book, fitted, fitted.window(fabric), IMAGE, None),
        "map": show_map(maps(notes)[0]),
        "window": show_window(fitted, fabric),
        "knobs": Explorer(fitted),
        "learnt": show_learnt(fitted, fabric),
        "side by side": steps.side_by_side(fitted, None, None),
    }
    lines = book.bench.true_settings().lines
    found["line"] = show_line(next(iter(lines.values())), described.factors[0])
    report = write_papers(fitted, folder / "report", fabrics=[f.name for f in described.fabrics],
                          plans=book.plans())[0]  # fmt: skip
    html = {name: one if isinstance(one, str) else one._repr_html_() for name, one in found.items()}
    return html | {"report": report.read_text(encoding="utf-8")}


def shown_types() -> set[str]:
    """The classes of the package that say how they look in a notebook."""
    import importlib
    import pkgutil

    import dtfexp

    found = set()
    for module in pkgutil.walk_packages(dtfexp.__path__, "dtfexp."):
        for name, one in vars(importlib.import_module(module.name)).items():
            own = isinstance(one, type) and one.__module__ == module.name
            if own and "_repr_html_" in vars(one):
                found.add(name)
    return found


def form_state(book: Logbook) -> dict[str, Any]:
    """What the recording form shows of the book."""
    return FormServer(book).state()
