"""What several folders of tests share: one driver of the browser for the whole run."""

from __future__ import annotations

import os
from collections.abc import Iterator
from typing import Any

import pytest

# Before numpy is loaded, here and in every process the tests start: matrices are small, and threads
# that share one mostly wait for each other.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


@pytest.fixture(scope="session")
def playwright() -> Iterator[Any]:
    """The browser driver; a second one beside it in the same thread would be refused."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        yield driver
