"""The half-messy sample sheet in data/, as a shop would type it, goes in."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from dtfexp import Logbook, Session, plan
from dtfexp.dialin.encode.results import check_results

DATA = Path(__file__).parents[2] / "data"


@pytest.fixture
def shop(tmp_path: Path):
    session = Session.load(DATA / "messy_shop_session.toml")
    with Logbook.create(tmp_path / "shop.dtfbook", session) as book:
        assert book.add(plan(session, 14)) == 14
        yield book


@pytest.mark.parametrize("name", ["messy_shop_sheet.csv", "messy_shop_sheet.xlsx"])
def test_it_goes_in(shop: Logbook, name: str) -> None:
    sheet = DATA / name
    before = hashlib.sha256(sheet.read_bytes()).hexdigest()
    taken = shop.import_sheet(sheet)
    assert (taken.rows, taken.added, taken.spoiled, taken.unchanged) == (15, 15, 1, 0)
    assert [remark.partition(": ")[2] for remark in taken.remarks] == [
        "these columns are not known and were left out: 'weather'"
    ]
    assert repr(taken).count("weather") == 1
    found = shop.results().sort_values("press").set_index("press")
    assert found["peel"].tolist() == [3, 3, 4, 5, 4, 5, 4, 3, 5, 3, 4, 4, 3, 2]
    assert found["wash"].tolist()[:8] == [4, 5, 3, 5, 2, 4, 4, 3]
    assert found["wash"].iloc[8:].isna().all()
    reached = found["press temperature_actual"]
    assert reached[[1, 3, 4, 7, 8, 11, 12]].tolist() == pytest.approx(
        [331, 319, 311.5, 309.2, 308, 300, 299.5]
    )
    assert np.isnan(reached[9])
    assert found.loc[5, "defects"] == "bubbles; colour lifts"
    assert found.loc[4, "note"] == 'best one so far, "like bought"'
    assert found.loc[14, "note"] == "= needs more heat"
    assert not found["excluded"].any()
    history = shop.history(11)
    assert history["kind"].tolist() == ["spoiled", "record"]
    assert history["excluded"].tolist()[0] == "film slipped when the press closed"
    assert len(check_results(shop.session, shop.results())) == 14
    assert len(shop.waiting()) == 6
    assert hashlib.sha256(sheet.read_bytes()).hexdigest() == before


def test_both_say_the_same(shop: Logbook) -> None:
    with pytest.warns(UserWarning, match="weather"):
        assert shop.import_results(DATA / "messy_shop_sheet.csv") == 15
    results = shop.results()
    assert shop.import_sheet(DATA / "messy_shop_sheet.xlsx").added == 0
    pd.testing.assert_frame_equal(shop.results(), results)
