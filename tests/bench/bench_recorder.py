"""Seconds from the tap on Save to "Saved" on the screen, in a real JupyterLab and chromium.

    .venv/bin/python -m tests.bench.bench_recorder [--presses 14] [--shots FOLDER]

The time is the page's own: from the click to the moment the green line is drawn, which is after
the entry is on the disk. ``--shots`` also keeps pictures of the form at three sizes, to be looked
at. Chromium must be on the PATH.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path
from statistics import median, quantiles
from typing import Any

from dtfexp import Logbook, Session, plan
from dtfexp.shop.files import copy_if_absent
from tests.browser.form import FORM, Form
from tests.browser.lab import BROWSER_ARGS, CHROMIUM, Lab

SIZES = {"laptop": (1280, 800), "tablet": (1024, 768), "phone": (390, 844)}
#: One save: choose a grade, tap Save, wait for the green line; returns milliseconds.
SAVE = """async (value) => {
  const found = (k) => document.querySelector(`.dtfexp-rec [data-k="${k}"]`);
  const press = document.querySelector(".dtfexp-rec .now").textContent.match(/Press (\\d+)/)[1];
  found(`p${press}:peel:${value}`).click();
  const started = performance.now();
  found("save").click();
  for (;;) {
    const said = document.querySelector(".dtfexp-rec .said.good");
    if (said?.textContent.includes(`press ${press}:`)) return performance.now() - started;
    await new Promise((go) => requestAnimationFrame(go));
  }
}"""


def measure(presses: int, shots: Path | None) -> list[float]:
    """Record a whole plan; returns the milliseconds of every save."""
    from playwright.sync_api import sync_playwright

    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder, sync_playwright() as p:
        shop = Path(folder) / "shop"
        copy_if_absent(shop)
        session = Session.load(shop / "example_session.toml")
        with Logbook.create(shop / "logbook.dtfbook", session) as book:
            book.add(plan(session, presses))
        lab = Lab(shop, Path(folder) / "jupyter")
        context = p.chromium.launch_persistent_context(
            Path(folder) / "profile", executable_path=CHROMIUM, has_touch=True, args=BROWSER_ARGS
        )
        try:
            form = Form(context.pages[0], lab)
            form.open()
            if shots:
                pictures(form.page, shots, "before")
            taken = [form.page.evaluate(SAVE, 1 + turn % 5) for turn in range(presses)]
            if shots:
                form.key("goto").select_option("2")
                pictures(form.page, shots, "recorded")
                form.key("tab:wash").tap()
                pictures(form.page, shots, "wash")
            return taken
        finally:
            context.close()
            lab.stop()


def pictures(page: Any, folder: Path, name: str) -> None:
    """The form as it stands, at every size."""
    folder.mkdir(parents=True, exist_ok=True)
    for size, (width, height) in SIZES.items():
        page.set_viewport_size({"width": width, "height": height})
        page.wait_for_timeout(500)
        page.evaluate(f"document.querySelector('{FORM}').scrollIntoView()")
        page.wait_for_timeout(200)
        page.screenshot(path=folder / f"{name}-{size}.png")


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--presses", type=int, default=14)
    parser.add_argument("--shots", type=Path)
    asked = parser.parse_args()
    taken = measure(asked.presses, asked.shots)
    late = quantiles(taken, n=20, method="inclusive")[-1]
    print(f"{len(taken)} saves, from the tap on Save to Saved on the screen:")
    print(
        f"median {median(taken):.0f} ms, 19 of 20 within {late:.0f} ms, longest {max(taken):.0f} ms"
    )


if __name__ == "__main__":
    main()
