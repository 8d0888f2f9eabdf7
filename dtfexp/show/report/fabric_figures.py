"""The figures of one fabric as pieces of a page, each with a name and a text alternative."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dtfexp.show.figures.curves import curve
from dtfexp.show.figures.pass_maps import pass_map
from dtfexp.show.figures.window_bars import NO_SETTINGS, window_bars
from dtfexp.show.style.svg import inline_svg
from dtfexp.show.text import report_text
from dtfexp.show.text.number_format import NumberFormat, label, per_cent

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from dtfexp.describe.factor import Factor
    from dtfexp.dialin.fit import Fit
    from dtfexp.show.text.fabric_results import FabricResult


class FabricFigures:
    """Draw the figures of one finding, without further questions to the fit.

    ``key``: prefix of every id.
    """

    def __init__(self, finding: FabricResult, fit: Fit, reading: NumberFormat, key: str) -> None:
        self._finding = finding
        self._fit = fit
        self._reading = reading
        self._key = key
        self._count = 0
        self._shown: dict[str, Any] = {"window": finding.window, "unit": reading.temperature}

    def bars(self) -> Any:
        """Return the window as bars."""
        window, session = self._finding.window, self._fit.session
        told = "; ".join(report_text.span_lines(window, session, self._reading)) or NO_SETTINGS
        ax = window_bars(window, session, unit=self._reading.temperature)
        return self._piece(ax, "The window as bars", f"{told}.")

    def curves(self) -> list[Any]:
        """Return the pass rate along each setting."""
        return [self._curve(name) for name in self._finding.curves]

    def maps(self) -> list[Any]:
        """Return the pass rate over two settings at a time."""
        return [self._map(x, y, rates) for x, y, rates in self._finding.maps]

    def _curve(self, name: str) -> Any:
        factor, rates = self._fit.session.factor(name), self._finding.curves[name]
        ax = curve(self._fit, self._finding.name, name, rates=rates, **self._shown)
        values = rates["pass_rate"]
        told = (
            f"Over the range it is {per_cent(float(values.min()))} to"
            f" {per_cent(float(values.max()))}; at the target {self._at(factor)} it is"
            f" {per_cent(self._finding.target.pass_rate)}."
        )
        return self._piece(ax, f"Expected pass rate along {label(name)}", told)

    def _map(self, x: str, y: str, rates: Any) -> Any:
        across, up = self._fit.session.factor(x), self._fit.session.factor(y)
        ax = pass_map(self._fit, self._finding.name, x, y, rates=rates, **self._shown)
        enough = float((rates["pass_rate"] >= self._finding.window.required).mean())
        told = (
            f"The other settings stay at the target. {per_cent(enough)} of this map reaches the"
            f" required rate. Target: {label(x)} {self._at(across)}, {label(y)} {self._at(up)}."
        )
        title = f"Expected pass rate over {label(x)} and {label(y)}"
        return self._piece(ax, title, told)

    def _at(self, factor: Factor) -> str:
        return self._reading.text(factor, self._finding.window.target[factor.name])

    def _piece(self, ax: Axes, title: str, given: str) -> Any:
        from markupsafe import Markup

        self._count += 1
        drawn: Any = ax.figure
        name = f"{self._key}-figure-{self._count}"
        return Markup(inline_svg(drawn, name, f"{title}, {self._finding.name}", given))
