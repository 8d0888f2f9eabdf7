"""The cell that says what was learnt: the numbers of the fit in a shop's words."""

from __future__ import annotations

import pandas as pd
import pytest

from dtfexp import SessionError, fit
from dtfexp.show.notebook.learnt import show_learnt
from tests.dialin.test_understanding import TWO, only_cure


def test_it_says_what_matters_what_failed_and_what_is_odd() -> None:
    results = only_cure()
    good = results.index[results["peel"] >= 4][3]
    results.loc[good, "peel"] = 1
    fitted = fit(TWO, results)
    shown = show_learnt(fitted, "Cotton")
    text = repr(shown).replace("\u00a0", " ")
    assert text.startswith("cotton: results of the test presses\n  cure temperature: ")
    failed = int((results["peel"] < 4).sum())
    assert f"{failed} presses failed; judged by the fit: " in text
    assert "under-cured" in text and "over-cured" in text
    odd = fitted.surprises().iloc[0]
    assert odd["press"] == results.loc[good, "press"]
    assert f"Press {odd['press']}, peel: 1, where {odd['predicted']:g} was predicted" in text
    for line in repr(shown).splitlines()[3:]:
        assert line.replace("'", "&#x27;") in shown.html
    assert show_learnt(fitted, "cotton").html == shown.html


def test_before_anything_is_pressed_it_claims_nothing() -> None:
    text = repr(show_learnt(fit(TWO, pd.DataFrame()), "cotton"))
    assert "No press of this fabric failed." in text
    assert "stands out" not in text and "came out" not in text
    with pytest.raises(SessionError, match="velvet"):
        show_learnt(fit(TWO, pd.DataFrame()), "velvet")
