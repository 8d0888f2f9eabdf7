from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.browser.form import Form, planned
from tests.browser.lab import BROWSER_ARGS, CHROMIUM, Lab

SHOTS = Path(__file__).parent / "screenshots"


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    here = Path(__file__).parent
    for item in items:
        if here in item.path.parents:
            item.add_marker(pytest.mark.browser)
            if CHROMIUM is None and os.environ.get("DTFEXP_REQUIRE_BROWSER") != "1":
                item.add_marker(pytest.mark.skip(reason="no chromium on the PATH"))


@pytest.fixture(scope="package")  # chromium and JupyterLab end with this folder
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("shop")
    planned(folder, 90)
    return folder


@pytest.fixture(scope="package")  # chromium and JupyterLab end with this folder
def lab(shop: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Lab]:
    if CHROMIUM is None:
        pytest.fail("DTFEXP_REQUIRE_BROWSER=1, and there is no chromium on the PATH")
    running = Lab(shop, tmp_path_factory.mktemp("jupyter"))
    yield running
    running.stop()


@pytest.fixture(scope="package")  # chromium and JupyterLab end with this folder
def outside() -> list[str]:
    """Every request that left this machine."""
    return []


@pytest.fixture(scope="package")  # chromium and JupyterLab end with this folder
def page(
    lab: Lab, outside: list[str], tmp_path_factory: pytest.TempPathFactory, playwright: Any
) -> Iterator[Any]:
    context = playwright.chromium.launch_persistent_context(
        tmp_path_factory.mktemp("profile"),
        executable_path=CHROMIUM,
        headless=True,
        has_touch=True,
        viewport={"width": 1024, "height": 768},
        args=BROWSER_ARGS,
    )
    home = ("http://127.0.0.1", "ws://127.0.0.1", "data:", "blob:", "about:")
    context.on(
        "request",
        lambda request: None if request.url.startswith(home) else outside.append(request.url),
    )
    # Every tone that the form starts is noted, and played.
    context.add_init_script(
        """globalThis.beeps = [];
        const start = OscillatorNode.prototype.start;
        OscillatorNode.prototype.start = function (at) {
          globalThis.beeps.push(this.frequency.value);
          return start.call(this, at);
        };"""
    )
    tab = context.pages[0]
    tab.set_default_timeout(30_000)
    tab.on("dialog", lambda dialog: dialog.accept())
    yield tab
    context.close()


@pytest.fixture(scope="module")
def form(page: Any, lab: Lab) -> Form:
    form = Form(page, lab)
    form.open()
    return form


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: Any) -> Any:
    report = yield
    tab = getattr(item, "funcargs", {}).get("page")
    if report.when == "call" and report.failed and tab is not None:
        SHOTS.mkdir(exist_ok=True)
        tab.screenshot(path=SHOTS / f"FAILED-{item.name}.png")
    return report
