"""The window as a live view: choose pass rate, confidence or unit.

The fit is not repeated; it is asked for another window. Notebook callbacks may run in different
threads and overtake each other, so each one reads all knobs again, one at a time.
"""

from __future__ import annotations

from collections.abc import Sequence
from threading import Lock
from typing import TYPE_CHECKING, Any

import ipywidgets

from dtfexp.show.notebook.cells import show_window
from dtfexp.show.text.number_format import TEMPERATURES, NumberFormat

if TYPE_CHECKING:
    from dtfexp.describe.fabric import Fabric
    from dtfexp.dialin.fit import Fit

#: No confidence is asked for: every set-point is expected to pass so often.
EXPECTED = 0.0
PASS_RATES = (0.50, 0.60, 0.70, 0.75, 0.80, 0.85, 0.90, 0.92, 0.94, 0.95, 0.96, 0.97, 0.98, 0.99)
CONFIDENCES = (EXPECTED, 0.50, 0.60, 0.70, 0.75, 0.80, 0.85, 0.90, 0.95, 0.99)
MAPS = 2


class Explorer(ipywidgets.VBox):  # type: ignore[misc]
    """Knobs over one window: ``fabric``, ``pass_rate``, ``confidence``, ``unit``.

    The result is in ``shown`` (HTML). Show the explorer as the last line of a cell.
    """

    def __init__(
        self,
        fit: Fit,
        fabric: str | Fabric | None = None,
        *,
        pass_rate: float = 0.90,
        confidence: float | None = None,
        unit: str | None = None,
    ) -> None:
        """Build the knobs and show the first window.

        ``fabric``: shown first (default the session's first); ``pass_rate``, ``confidence``: those
        of :meth:`dtfexp.Fit.window`; ``unit``: "°C" or "°F", default the session's. Raises
        ``SessionError`` for an unknown fabric or unit, ``ValueError`` for a rate out of range.
        """
        names = [one.name for one in fit.session.fabrics]
        first = names[0] if fabric is None else fit.session.fabric(fabric).name
        reading = NumberFormat.of(fit.session, unit)
        show_window(fit, first, pass_rate=pass_rate, confidence=confidence)  # checks the arguments
        room = {"width": "34em", "max_width": "100%"}
        wide: dict[str, Any] = {"style": {"description_width": "9em"}, "layout": room}
        self.fabric = ipywidgets.Dropdown(options=names, value=first, description="Fabric", **wide)
        self.pass_rate = _knob("Must pass", PASS_RATES, pass_rate, "of 100", wide)
        self.confidence = _knob("How sure", CONFIDENCES, confidence or EXPECTED, "%", wide)
        self.unit = ipywidgets.ToggleButtons(
            options=TEMPERATURES, value=reading.temperature, description="Temperatures in",
            style={"description_width": "9em", "button_width": "5em"}, layout=room,
        )  # fmt: skip
        self.shown = ipywidgets.HTML()
        self._fit, self._lock, self._drawn = fit, Lock(), ()
        knobs = [self.pass_rate, self.confidence]
        if len(names) > 1:
            knobs.insert(0, self.fabric)
        if any(factor.is_temperature for factor in fit.session.factors):
            knobs.append(self.unit)
        for knob in knobs:
            knob.observe(self._turned, "value")
        super().__init__([*knobs, self.shown])
        self._turned()

    def _turned(self, _change: object = None) -> None:
        with self._lock:
            asked: tuple[Any, ...] = (
                self.fabric.value, self.pass_rate.value, self.confidence.value, self.unit.value
            )  # fmt: skip
            if asked == self._drawn:
                return
            fabric, rate, sure, unit = asked
            self.shown.value = show_window(
                self._fit, fabric, pass_rate=rate, confidence=sure or None, unit=unit, maps=MAPS,
                key="dtfexp-explored",
            ).html  # fmt: skip
            self._drawn = asked

    def _repr_html_(self) -> str:
        """Return the HTML for a page without widgets."""
        return str(self.shown.value)


def _knob(
    given: str, values: Sequence[float], first: float, unit: str, look: dict[str, Any]
) -> ipywidgets.SelectionSlider:
    """Return a slider over common values, and its starting value."""
    options = [
        (f"{100 * v:.4g} {unit}" if v else "expected", v) for v in sorted({*values, float(first)})
    ]
    return ipywidgets.SelectionSlider(
        options=options, value=float(first), description=given, continuous_update=False, **look
    )
