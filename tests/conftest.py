"""What several folders of tests share: one driver of the browser for the whole run."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest


@pytest.fixture(scope="session")
def playwright() -> Iterator[Any]:
    """The browser driver; a second one beside it in the same thread would be refused."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        yield driver
