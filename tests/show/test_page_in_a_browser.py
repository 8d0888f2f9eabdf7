"""The report in a real browser: wide and narrow, light and dark, on paper; nothing is fetched."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from dtfexp.show.report.report import write_papers
from tests.show.conftest import WHEN, StandInFit, make_results, make_session
from tests.show.test_page import PLANS

pytestmark = pytest.mark.browser
ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]


@pytest.fixture(scope="module")
def browser(request: pytest.FixtureRequest) -> Iterator[Any]:
    path = shutil.which("chromium") or shutil.which("chromium-browser")
    if path is None:
        if os.environ.get("DTFEXP_REQUIRE_BROWSER") == "1":
            pytest.fail("no chromium on the PATH, and DTFEXP_REQUIRE_BROWSER is 1")
        pytest.skip("no chromium on the PATH")
    # Asked for only now: without a browser the driver is not needed either.
    playwright = request.getfixturevalue("playwright")
    opened = playwright.chromium.launch(executable_path=path, args=ARGUMENTS)
    yield opened
    opened.close()


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    session = make_session(["cotton jersey", "W" * 80])
    results = make_results(session, 60, pending=4)
    results["note"] = ["curled at the left corner, " * 3] * 60
    fit = StandInFit(session, results)
    names = [fabric.name for fabric in session.fabrics]
    out = tmp_path_factory.mktemp("browser")
    return write_papers(fit, out, fabrics=names, plans=PLANS, last_entry=WHEN)[0]  # type: ignore[arg-type]


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [(1280, 800), (390, 844)])
def test_it_fits_the_screen_and_keeps_to_itself(
    browser: Any, report: Path, size: tuple[int, int], scheme: str
) -> None:
    context = browser.new_context(
        viewport={"width": size[0], "height": size[1]}, color_scheme=scheme
    )
    page = context.new_page()
    asked: list[str] = []
    said: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.goto(report.as_uri())
    assert asked == [report.as_uri()]
    assert said == []
    assert page.evaluate("document.documentElement.scrollWidth") <= size[0]
    # What is wider than the screen scrolls inside its own frame, which the keyboard can reach.
    wide = page.evaluate(
        "[...document.querySelectorAll('table')].filter(t => {"
        " const box = t.parentElement;"
        " return t.scrollWidth > box.clientWidth + 1 && !(box.tabIndex === 0"
        " && getComputedStyle(box).overflowX === 'auto'); }).length"
    )
    assert wide == 0
    if size[0] < 560:  # what to set is read without scrolling sideways, each value with its head
        stacked = page.evaluate(
            "[...document.querySelectorAll('table.stack')].map(t => [t.scrollWidth,"
            " t.parentElement.clientWidth,"
            " getComputedStyle(t.rows[1].cells[1], '::before').content])"
        )
        assert len(stacked) > 4
        for needed, room, head in stacked:
            assert needed <= room and len(head) > 4
    assert page.evaluate("document.querySelectorAll('svg.figure').length") == 21
    smallest = page.evaluate(
        "Math.min(...[...document.querySelectorAll('svg.figure text')]"
        ".map(t => t.getBoundingClientRect()).filter(b => b.width > b.height && b.height > 0)"
        ".map(b => b.height))"
    )
    assert smallest >= 9  # letters of a figure stay readable on a telephone
    ground = page.evaluate("getComputedStyle(document.body).backgroundColor")
    ink = page.evaluate(
        "getComputedStyle([...document.querySelectorAll('svg.figure text')][0]).fill"
    )
    dark = scheme == "dark"
    assert (_brightness(ground) < 60) is dark
    assert (_brightness(ink) > 180) is dark
    context.close()


def test_paper_is_light_even_from_a_dark_screen(browser: Any, report: Path, tmp_path: Path) -> None:
    import pymupdf

    context = browser.new_context(color_scheme="dark")
    page = context.new_page()
    page.goto(report.as_uri())
    page.pdf(path=str(tmp_path / "report.pdf"), prefer_css_page_size=True)
    page.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")
    page.pdf(path=str(tmp_path / "open.pdf"), prefer_css_page_size=True)
    context.close()
    pages = pymupdf.open(tmp_path / "report.pdf")
    # A page in short, a page for each of the two fabrics; the evidence is printed when it is open:
    # of sixty presses with long notes at most seven more.
    assert 2 <= pages.page_count <= 4
    assert pages.page_count < pymupdf.open(tmp_path / "open.pdf").page_count <= pages.page_count + 7
    pixels = pages[0].get_pixmap(dpi=20, colorspace=pymupdf.csGRAY)
    assert sum(pixels.samples) / len(pixels.samples) > 200
    text = "".join(sheet.get_text() for sheet in pages)
    assert "Skip to the summary" not in text
    assert "In short" in text


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_an_accessibility_engine_finds_nothing_serious(
    browser: Any, report: Path, scheme: str
) -> None:
    import axe_playwright_python

    engine = Path(axe_playwright_python.__file__).parent / "axe.min.js"
    # The page allows no script; the engine is let in for the test only.
    context = browser.new_context(color_scheme=scheme, bypass_csp=True)
    page = context.new_page()
    page.goto(report.as_uri())
    page.evaluate(engine.read_text("utf-8"))
    found = page.evaluate("axe.run()")
    context.close()
    assert len(found["passes"]) > 20
    serious = [v["id"] for v in found["violations"] if v["impact"] in ("serious", "critical")]
    assert serious == []


def _brightness(colour: str) -> float:
    parts = colour[colour.index("(") + 1 : colour.index(")")].split(",")
    return sum(float(part) for part in parts[:3]) / 3
