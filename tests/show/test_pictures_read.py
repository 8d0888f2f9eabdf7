"""Pictures of coupons dropped on the form."""

import io
import threading
from queue import Queue

import pytest
from PIL import Image

from dtfexp import Factor, Logbook, Outcome, Session, plan
from dtfexp.show.recorder.recorder import recorder

SESSION = Session(
    "A bench of this test",
    [Factor("press_temperature", 280, 350, "°F", 5, "press", True, 5, 320)],
    [Outcome("peel")],
    ["cotton"],
)


def test_a_press_is_saved_while_a_picture_is_read(tmp_path, monkeypatch):
    pytest.importorskip("skimage")
    pytest.importorskip("zxingcpp")
    looking, saved, told = threading.Event(), threading.Event(), Queue()

    def slow(picture, session, presses):
        looking.set()
        assert saved.wait(5)
        return [], []

    monkeypatch.setattr("dtfexp.coupon.reading.reading.find", slow)
    out = io.BytesIO()
    Image.new("RGB", (20, 20)).save(out, "PNG")
    with Logbook.create(tmp_path / "bench.dtfbook", SESSION) as book:
        book.add(plan(SESSION, 4))
        form = recorder(book)
        monkeypatch.setattr(form, "send", told.put)
        form._heard(form, {"op": "read pictures", "id": "picture"}, [out.getvalue()])
        assert looking.wait(5)
        press = {"op": "record", "id": "press", "press": 1, "grades": {"peel": 4}}
        form._heard(form, press, [])
        first = told.get(timeout=5)
        saved.set()
        second = told.get(timeout=5)
    assert [(one["id"], one["ok"]) for one in (first, second)] == [
        ("press", True),
        ("picture", True),
    ]
