"""What several folders of tests share: who runs which, and one driver of the browser."""

from __future__ import annotations

import os
from collections.abc import Iterator
from typing import Any

import pytest

# Before numpy is loaded, here and in every process the tests start: matrices are small, and threads
# that share one mostly wait for each other.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


#: The longest files first: what is left at the end is short, and the workers end together.
FIRST = ("notebooks", "browser", "shop")
MOST_WORKERS = 4


@pytest.hookimpl(tryfirst=True)
def pytest_cmdline_main(config: pytest.Config) -> None:
    """Run the whole suite on several cores; what is asked for by name runs in this process."""
    whole = not config.option.file_or_dir and not config.option.usepdb
    # A worker comes here too, with no files named: started by it, workers would never end.
    worker = "PYTEST_XDIST_WORKER" in os.environ
    if whole and not worker and getattr(config.option, "numprocesses", 0) is None:
        config.option.numprocesses = min(os.cpu_count() or 1, MOST_WORKERS)
        config.option.dist, config.option.loadscopereorder = "loadfile", False


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """Keep a file in one worker, for its fixtures; all that opens a browser, too."""
    from xdist.scheduler import LoadFileScheduling

    class Scheduling(LoadFileScheduling):
        def _split_scope(self, nodeid: str) -> str:
            file = super()._split_scope(nodeid)
            return "browser" if "browser" in file else file

    return Scheduling(config, log)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    items.sort(key=lambda item: item.path.parent.name not in FIRST)


@pytest.fixture(scope="session")
def playwright() -> Iterator[Any]:
    """The browser driver; a second one beside it in the same thread would be refused."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        yield driver


@pytest.fixture(autouse=True)
def fitted_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every fit of a test is made anew: what compares two of the same presses compares two."""
    from dtfexp.dialin import fit

    monkeypatch.setattr(fit, "_held", lambda *_: None)
