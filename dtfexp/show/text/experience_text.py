"""What a fit's experience changed, in sentences: the answer with it beside that without."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from dtfexp.describe.fields import count_phrase
from dtfexp.show.text.number_format import NumberFormat, label, per_cent
from dtfexp.show.text.report_text import settings_line

if TYPE_CHECKING:
    from dtfexp.dialin.fit import Fit


@dataclass(frozen=True)
class ExperienceNotes:
    """``used``: one sentence on the experience; ``changed``: fabric -> what it changed there."""

    used: str = ""
    changed: dict[str, str] | None = None

    def card(self, fabric: str) -> list[str]:
        """Return what a fabric's card says of it; nothing without experience."""
        return [self.used, (self.changed or {})[fabric]] if self.used else []

    def page(self) -> str:
        """Return what the report says of it; "" without experience."""
        return " ".join([self.used, *(self.changed or {}).values()]) if self.used else ""


def experience_notes(fit: Fit, fabrics: list[str], reading: NumberFormat) -> ExperienceNotes:
    """Return the notes of a fit; one more fit, and its windows, where it has an experience."""
    used = fit.session.experience
    if used is None:
        return ExperienceNotes()
    named = f"{used.name}: " if used.name else ""
    told = (
        f"Started from experience ({named}{count_phrase(used.books, 'logbook')}, learnt "
        f"{used.content['made']}), which this bench fits {per_cent(fit.experience_share())}."
    )
    plain, changed = fit.without_experience(), {}
    for name in fabrics:
        here, there = fit.window(name), plain.window(name)
        if here.target == there.target:
            at = "the same target"
        else:
            at = f"the target {settings_line(fit.session, there.target, reading)}"
        without, with_it = (
            f"{per_cent(w.pass_rate)} expected to pass and {'a' if w.found else 'no'} window"
            for w in (there, here)
        )
        changed[name] = f"{label(name)}: without it {at}, {without}; with it {with_it}."
    return ExperienceNotes(told, changed)
