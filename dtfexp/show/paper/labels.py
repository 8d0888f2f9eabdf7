"""Coupon labels with number, fabric and settings, to identify each coupon days later.

For plain paper to cut along the lines or for sheets of labels; one label for each planned press.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dtfexp.dialin.schedule.cured import FILM, cured_fact
from dtfexp.show.paper.pdf_page import MARGIN, PdfPage
from dtfexp.show.paper.run_sheet import paper_date, presses_lacking_grades, setting, shortened
from dtfexp.show.text.cautions import ONE_LINE
from dtfexp.show.text.number_format import label

if TYPE_CHECKING:
    from dtfexp.book.logbook import Logbook
    from dtfexp.describe.session import Session

_ACROSS, _TALL = 3, 33.0


def coupon_labels_pdf(book: Logbook, *, paper: str = "A4") -> bytes:
    """Return labels of the presses that lack a grade (all if none does), in running order.

    ``paper``: "A4" or "Letter". The same book gives the same bytes.
    """
    session = book.session
    sheet = PdfPage(paper, f"Coupon labels: {session.name}", paper_date(book))
    down = int((sheet.height - 2 * MARGIN) / _TALL)
    wide, refused = sheet.inner / _ACROSS, book.bench.refused()
    for i, row in enumerate(presses_lacking_grades(book)):
        place = i % (_ACROSS * down)
        if place == 0:
            if i:
                sheet.turn()
            sheet.fitted(ONE_LINE, 0, sheet.height - MARGIN - 3, sheet.inner, 6.5, 5)
        left, top = place % _ACROSS * wide, MARGIN + place // _ACROSS * _TALL
        _label(sheet, session, row, left, top, wide, row["press"] in refused)
    return sheet.pdf()


def _label(
    sheet: PdfPage,
    session: Session,
    row: dict[Any, Any],
    left: float,
    top: float,
    wide: float,
    refused: bool,
) -> None:
    sheet.box(left, top, wide, _TALL, line=0.15)
    left, inner = left + 2.5, wide - 5
    sheet.fitted(str(row["press"]), left, top + 1.8, 21, 32, 14, bold=True)
    beside, room = left + 22, inner - 22
    for i, line in enumerate(sheet.wrapped(str(row["fabric"]), room, 9, bold=True)[:2]):
        sheet.write(line, beside, top + 2.2 + 4 * i, 9, bold=True)
    told = f"load {row['oven_load']}, round {row['press_round']}"
    sheet.fitted(told, beside, top + 10.4, room, 7, 5)
    film = [factor for factor in session.factors if factor.stage == "print"]
    set_here = [factor for factor in session.factors if factor.stage not in FILM]
    said = [
        f"{label(factor.name)} {setting(session, factor, row[factor.name])[0]}"
        for factor in (*film, *set_here)
    ]
    said.insert(len(film), cured_fact(session, row))
    for i, line in enumerate(sheet.wrapped(", ".join(said), inner, 6.5)[:4]):
        sheet.write(line, left, top + 14.6 + 2.9 * i, 6.5)
    if refused:
        told = "DO NOT PRESS as planned: see the run sheet"
        sheet.fitted(told, left, top + 27.0, inner, 8, 5, bold=True)
        return
    graded = "   ".join(f"{label(outcome.name)} ____" for outcome in session.outcomes)
    sheet.write(shortened(sheet, graded, inner, 7.5), left, top + 27.4, 7.5)
