"""The templates of pages and cells."""

from __future__ import annotations

from typing import Any


def environment() -> Any:
    """Jinja as every page uses it: all text escaped, an unknown name is an error."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader("dtfexp.show", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
