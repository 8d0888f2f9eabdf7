"""Names that are HTML: they are shown letter for letter, nothing runs, nothing is fetched."""

from __future__ import annotations

import ast
import csv
import json
import os
import shutil
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import openpyxl
import pytest

import dtfexp
from dtfexp import Factor, Logbook, Outcome, Session, plan
from dtfexp.show.recorder.recorder import Recorder
from tests.show import hostile

_TAGS = """html head meta title style body main header footer section article nav div span p b i
strong em small br hr h1 h2 h3 h4 ul ol li dl dt dd table caption thead tbody tr th td a details
summary figure figcaption svg g path rect circle line polyline polygon text tspan defs use clippath
image desc symbol marker img colgroup col lineargradient stop code pattern pre"""
TAGS = set(_TAGS.split())


class Watcher(HTMLParser):
    """Notes every tag and attribute that could run or fetch."""

    def __init__(self) -> None:
        super().__init__()
        self.wrong: list[str] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in TAGS:
            self.wrong.append(f"<{tag}>")
        for name, value in attrs:
            told = (value or "").strip()
            if name.startswith("on") or name in ("srcdoc", "formaction", "action"):
                self.wrong.append(f"<{tag} {name}>")
            card = tag == "a" and told.endswith(".pdf") and "//" not in told
            fetches = name in ("src", "href", "xlink:href")
            if fetches and not card and not told.startswith(("#", "data:image/")):
                self.wrong.append(f"<{tag} {name}={told}>")

    def handle_data(self, data: str) -> None:
        self.text += data


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Logbook]:
    made = hostile.recorded(tmp_path_factory.mktemp("hostile"))
    yield made
    made.close()


@pytest.fixture(scope="module")
def papers(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("papers")


@pytest.fixture(scope="module")
def fragments(book: Logbook, papers: Path) -> dict[str, str]:
    return hostile.fragments(book, papers)


def test_the_watcher_sees_what_it_is_there_for() -> None:
    for name in hostile.NAMES:
        watcher = Watcher()
        watcher.feed(f'<p title="{name}">{name}</p>')
        assert watcher.wrong, name


def test_nothing_that_a_cell_or_a_paper_shows_is_live(fragments: dict[str, str]) -> None:
    wrong = {}
    for name, html in fragments.items():
        watcher = Watcher()
        watcher.feed(html)
        watcher.close()
        if watcher.wrong:
            wrong[name] = sorted(set(watcher.wrong))[:5]
    assert not wrong
    # The names are there all the same, letter for letter.
    for name in ("session", "run sheet", "report", "fit"):
        watcher = Watcher()
        watcher.feed(fragments[name])
        assert "evil.invalid" in watcher.text, name


def test_every_class_that_a_notebook_shows_is_walked() -> None:
    known = {"Session", "Plan", "PlanCheck", "PlanComparison", "Cost", "Fit", "Rehearsal"}
    known |= {"Verdict", "Watch", "Diagnosis", "Imported", "Shown", "Explorer"}
    assert hostile.shown_types() == known, "walk the new one in tests/show/hostile.py"


def test_one_function_escapes_and_nothing_else_does() -> None:
    """No module brings an escape of its own, hands pandas unescaped names, or trusts text."""
    package = Path(str(dtfexp.__file__)).parent
    for path in package.rglob("*.py"):
        if path.name == "html_text.py":
            continue
        text = path.read_text(encoding="utf-8")
        for node in ast.walk(ast.parse(text)):
            if isinstance(node, ast.ImportFrom) and node.module in ("html", "markupsafe"):
                names = {alias.name for alias in node.names}
                assert names <= {"Markup"}, f"{path}: {names}"
        assert ".to_html(" not in text, f"{path}: use frame_html"
        assert "import html\n" not in text, path
    for script in package.rglob("*.js"):
        text = script.read_text(encoding="utf-8")
        for way in ("innerHTML", "outerHTML", "insertAdjacentHTML", "document.write", "eval("):
            assert way not in text, f"{script}: {way}"


@pytest.mark.browser
def test_nothing_runs_and_no_request_leaves_in_a_real_browser(
    request: pytest.FixtureRequest, book: Logbook, fragments: dict[str, str]
) -> None:
    path = shutil.which("chromium") or shutil.which("chromium-browser")
    if path is None:
        if os.environ.get("DTFEXP_REQUIRE_BROWSER") == "1":
            pytest.fail("no chromium on the PATH, and DTFEXP_REQUIRE_BROWSER is 1")
        pytest.skip("no chromium on the PATH")
    playwright = request.getfixturevalue("playwright")
    browser = playwright.chromium.launch(executable_path=path, args=["--no-sandbox"])
    page = browser.new_page()
    asked: list[str] = []
    page.on("request", lambda one: asked.append(one.url))
    served = {"http://shop.test/": "<!doctype html><meta charset=utf-8><body></body>"}
    served["http://shop.test/report.html"] = fragments["report"]

    def answer(route: Any) -> None:
        body = served.get(route.request.url)
        route.fulfill(body=body, content_type="text/html") if body else route.abort()

    page.route("**/*", answer)

    def calm(what: str) -> None:
        page.wait_for_timeout(50)
        assert page.evaluate("globalThis.ran") is None, what
        assert all(url.startswith(("http://shop.test/", "data:", "blob:")) for url in asked), asked

    # As a notebook does it: the HTML of an output is put into the page, its scripts are run.
    put = """html => { document.body.innerHTML = html;
      for (const old of document.body.querySelectorAll('script')) {
        const script = document.createElement('script'); script.textContent = old.textContent;
        old.replaceWith(script); }
      for (const one of document.body.querySelectorAll('*'))
        one.dispatchEvent(new MouseEvent('mouseover', {bubbles: true})); }"""
    page.goto("http://shop.test/")
    page.evaluate(put, f"<p>{hostile.IMAGE}</p>")
    page.wait_for_function("globalThis.ran === 1")  # so it would be, unescaped
    assert any("evil.invalid" in url for url in asked)
    asked.clear()
    page.goto("http://shop.test/")
    for name, html in fragments.items():
        if name != "report":
            page.evaluate(put, html)
            calm(name)
    page.goto("http://shop.test/report.html")
    calm("report")
    # The recording form, mounted as anywidget does it, every press and the history opened.
    page.goto("http://shop.test/")
    page.evaluate(
        """async ([script, state]) => {
          const url = URL.createObjectURL(new Blob([script], {type: 'text/javascript'}));
          const module = await import(url);
          const model = {get: () => state, on() {}, off() {}, send() {}, set() {}};
          module.default.render({model, el: document.body});
        }""",
        [Recorder._esm, json.loads(json.dumps(hostile.form_state(book)))],
    )
    page.wait_for_selector(".dtfexp-rec")
    for key in ("tab:wash", "tab:press"):
        page.locator(f'[data-k="{key}"]').click()
        page.wait_for_timeout(20)
    for _ in range(8):
        page.locator('[data-k="after"]').click()
        calm("form")
    assert "evil.invalid" in page.locator(".dtfexp-rec").inner_text()
    browser.close()


FORMULA = "=cmd|' /C calc'!A0"
STARTS = ("=", "＝", "+", "@", "\t")


def test_no_exported_cell_is_a_formula(tmp_path: Path, papers: Path, fragments: object) -> None:
    wide = hostile.WIDE
    described = Session(
        "s", [Factor("heat", 150, 170, "°C", 5), Factor("peel", levels=(wide, "cold"))],
        [Outcome(f"{wide} look")], [wide],
    )  # fmt: skip
    with Logbook.create(tmp_path / "b.dtfbook", described, by=FORMULA) as book:
        book.add(plan(described, 4))
        book.record(1, {f"{wide} look": 4}, [FORMULA], note=FORMULA, block="@x")
        book.exclude(2, f"-{FORMULA}")
        written = [*book.export(tmp_path / "out"), papers / "report" / "windows.csv"]
    escaped = 0
    for path in written:
        if path.suffix == ".csv":
            with path.open(encoding="utf-8-sig", newline="") as file:
                cells = [cell for row in csv.reader(file) for cell in row]
            assert not [cell for cell in cells if cell.startswith(STARTS)], path
            # A number may be negative; a text that begins with a minus may not.
            assert not [cell for cell in cells if cell.startswith("-") and not _is_number(cell)]
            found = sum(cell.startswith("'") for cell in cells)
            assert found, path
            escaped += found
        elif path.suffix == ".xlsx":
            for sheet in openpyxl.load_workbook(path):
                for row in sheet.iter_rows():
                    assert not [c.value for c in row if c.data_type == "f"]
                    escaped += sum(c.value == FORMULA for c in row)
    assert escaped > 4


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
