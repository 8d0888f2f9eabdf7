"""The templates of pages and cells, and a piece of a page."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any


def environment() -> Any:
    """Jinja as every page uses it: all text escaped, an unknown name is an error."""
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
    """A piece of a page that a notebook shows as HTML and a terminal as text."""

    html: str
    text: str

    def _repr_html_(self) -> str:
        return self.html

    def __repr__(self) -> str:
        return self.text
