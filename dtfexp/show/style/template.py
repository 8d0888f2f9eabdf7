"""The templates of pages and cells, and a piece of a page."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any


def environment() -> Any:
    """Return the Jinja environment of all pages: text is escaped, unknown names are errors."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader("dtfexp.show.style", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


@dataclass(frozen=True)
class Shown:
    """A piece of a page, shown as HTML in a notebook and as text in a terminal."""

    html: str
    text: str

    def _repr_html_(self) -> str:
        return self.html

    def __repr__(self) -> str:
        return self.text
