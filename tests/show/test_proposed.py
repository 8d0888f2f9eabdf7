"""Proposals of pictures in the recording form: shown, taken by one tap, never by themselves."""

from __future__ import annotations

import io
import json
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from dtfexp import Factor, Logbook, Outcome, Session, plan
from dtfexp.book.coupons.readings import keep_reading
from dtfexp.coupon.measures import CouponMeasures, Measured
from dtfexp.coupon.payload import Label, session_code
from dtfexp.show.recorder.recorder import Recorder
from dtfexp.show.recorder.recording import FormServer

CHROMIUM = shutil.which("chromium")


@pytest.fixture
def book(tmp_path: Path) -> Any:
    session = Session(
        "A bench of this test",
        [Factor("press temperature", 150, 170, "°C", step=5)],
        [Outcome("peel"), Outcome("wash", washes=5, step=0.5)],
        ["cotton jersey"],
    )
    with Logbook.create(tmp_path / "bench.dtfbook", session) as made:
        made.add(plan(session, 8))
        made.record(2, {"peel": 5})
        read(made, 1, 5.0, 0)
        read(made, 2, 2.5, 5)
        yield made


def read(book: Logbook, press: int, missing: float, washes: int) -> None:
    label = Label(session_code(book.mark), press)
    measures = CouponMeasures(label, "before", missing=Measured(missing, 0.5))
    out = io.BytesIO()
    Image.fromarray(np.full((8, 8), round(missing * 9), dtype=np.uint8)).save(out, "PNG")
    keep_reading(book, measures, out.getvalue(), washes=washes)


def of_press(state: dict[str, Any], press: int) -> dict[str, Any]:
    return next(p for p in state["presses"] if p["press"] == press)


def accept(desk: FormServer, **more: Any) -> dict[str, Any]:
    return desk.handle({"op": "accept", "id": "tap", "press": 1, "outcome": "peel", **more})


def test_what_is_proposed_is_in_the_state_and_is_no_grade(book: Logbook) -> None:
    state = FormServer(book).state()
    assert json.loads(json.dumps(state)) == state
    peel = of_press(state, 1)["proposed"]["peel"]
    assert peel["value"] == 3
    assert peel["says"] == "The picture proposes 3: 5.0 % of the print missing."
    assert of_press(state, 2)["proposed"]["wash"]["says"].startswith(
        "The picture proposes 4 (4 to 4.5): 2.5 %"
    )
    assert of_press(state, 3)["proposed"] == {}
    assert of_press(state, 1)["grades"] == {} and not of_press(state, 1)["pressed"]


def test_one_tap_records_it_once(book: Logbook) -> None:
    desk = FormServer(book)
    for _ in range(2):
        answer = accept(desk, value=3, by="Ana")
        assert answer["ok"] and answer["text"] == "press 1: peel 3, as the picture proposes"
    history = book.history(1)
    assert history["peel"].tolist() == [3] and history["by"].tolist() == ["Ana"]
    assert of_press(answer["state"], 1)["grades"] == {"peel": 3}
    (line,) = desk.handle({"op": "history", "id": "h", "press": 1})["history"]
    assert "peel 3; proposed by a picture: peel 3 (" in line["said"]


def test_another_grade_goes_and_both_stay(book: Logbook) -> None:
    desk = FormServer(book)
    desk.handle({"op": "record", "id": "r", "press": 1, "grades": {"peel": 4}})
    assert book.results().set_index("press").loc[1, "peel"] == 4
    assert book.history(1)["proposed"].iloc[0].startswith("peel 3 (")


@pytest.mark.parametrize(
    ("message", "told"),
    [
        ({"value": 4}, "the last picture proposes 3 for peel, not 4; look again"),
        ({"outcome": "wash", "value": 3}, "no picture proposes a grade of 'wash'"),
        ({"press": 3, "value": 3}, "no picture proposes"),
        ({"press": 99, "value": 3}, "press 99"),
    ],
)
def test_nothing_unseen_is_accepted(book: Logbook, message: dict[str, Any], told: str) -> None:
    answer = accept(FormServer(book), **message)
    assert not answer["ok"] and told in answer["text"]
    assert book.history()["peel"].tolist() == [5]


def test_a_later_picture_is_looked_at_before_it_is_accepted(book: Logbook) -> None:
    desk = FormServer(book)
    read(book, 1, 0.2, 0)
    assert not accept(desk, value=3)["ok"]
    assert accept(desk, value=5)["ok"]


@pytest.mark.skipif(CHROMIUM is None, reason="no chromium on the PATH")
@pytest.mark.browser
def test_the_taps_in_a_browser(book: Logbook, request: pytest.FixtureRequest) -> None:
    for press in range(3, 9):
        book.record(press, {"peel": 4})
    desk = FormServer(book)
    playwright = request.getfixturevalue("playwright")
    browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
    page = browser.new_page(viewport={"width": 1024, "height": 768})
    page.expose_function("kernel", desk.handle)
    page.route("http://form.test/", lambda route: route.fulfill(body="<div id=form></div>"))
    page.goto("http://form.test/")
    page.add_style_tag(content=Recorder._css)
    page.evaluate(
        """async ([script, state]) => {
          const url = URL.createObjectURL(new Blob([script], { type: "text/javascript" }));
          const { default: form } = await import(url);
          let heard;
          const model = { get: () => state, on: (_, hear) => { heard = hear; }, off: () => {},
            send: (message) => kernel(message).then((answer) => heard(answer)) };
          form.render({ model, el: document.querySelector("#form") });
        }""",
        [Recorder._esm, desk.state()],
    )
    page.get_by_text("The picture proposes 3: 5.0 %").wait_for()
    page.get_by_role("button", name="peel: accept 3, press 1").click()
    page.get_by_text("peel 3, as the picture proposes").wait_for()
    assert book.results().set_index("press").loc[1, "peel"] == 3
    page.get_by_role("button", name="Waiting for wash").click()
    tap = page.get_by_role("button", name="wash: accept 4, press 2")
    assert tap.bounding_box()["height"] >= 56
    tap.click()
    page.get_by_text("wash 4, as the picture proposes").first.wait_for()
    assert book.results().set_index("press").loc[2, "wash"] == 4
    again = desk.state()["again"]
    page.get_by_text("judge peel once more").wait_for()
    page.get_by_role("button", name=f"coupon {again['press']} again, peel 5").click()
    page.get_by_text("judged again; its grade stays").first.wait_for()
    (note,) = book.kept("blind grade")
    assert note.said["grade"] == 5 and again["press"] == note.said["press"]
    browser.close()
