"""The terms of a confirmation: what they promise, held by exact chances."""

import numpy as np
import pytest

from dtfexp import presses_to_confirm
from dtfexp.dialin.confirm.terms import Terms


def test_terms():
    curve = Terms(0.9, 0.9, 1).curve(np.array([0.9, 1.0]))
    assert curve["confirmed"].iloc[0] == pytest.approx(0.0953, abs=1e-4)  # 0.9^38 + 3.8 * 0.9^37
    assert curve["confirmed"].iloc[1] == 1.0 and curve["presses"].tolist() == [38, 38]
    # From four times as many failures as allowed up to none.
    ends = Terms(0.9, 0.9).curve()["pass_rate"].iloc[[0, -1]]
    assert ends.tolist() == pytest.approx([0.6, 1.0])
    assert Terms(0.9, 0.995, 1).sentence() == (
        "To show at least 90\u00a0% good, with 99.5\u00a0% confidence: "
        "72 new presses; at most 1 may fail."
    )  # 0.9^72 + 7.2 * 0.9^71 = 0.0046, one press fewer 0.00501
    step = Terms(0.9, 0.9, sequential=True)
    early = step.curve(np.array([0.9, 0.6]))
    assert early["confirmed"].iloc[0] <= 0.1 and early["presses"].iloc[1] < 8
    assert "32 without a failure are enough" in step.sentence()
    assert (
        "up to 78 presses of which at most 4 may fail; 2 early failures end it" in step.sentence()
    )
    # By hand, at 90 % with 60 %: the line that refuses starts below 1 and is at 2 after two
    # presses, so a first press that fails ends it.
    lax = Terms(0.9, 0.6, sequential=True)
    assert lax.rule is not None and [lax.rule.refuse_line(n) for n in (1, 2)] == [1, 2]
    assert lax.sentence().endswith("may fail; 1 early failure ends it.")


@pytest.mark.parametrize("rate", [0.8, 0.9])
@pytest.mark.parametrize("confidence", [0.8, 0.9, 0.95, 0.99])
def test_press_by_press_both_promises_are_kept(rate, confidence):
    """A bench just short of the rate is confirmed once in 1 / (1 - confidence) at most, one that
    fails a quarter as often nine times in ten; and with fewer presses than the fixed plan."""
    terms = Terms(rate, confidence, sequential=True)
    curve = terms.curve(np.array([rate, 1 - 0.25 * (1 - rate)]))
    assert curve["confirmed"].iloc[0] <= (1 - confidence) * 1.000001
    assert curve["confirmed"].iloc[1] >= 0.9 - 1e-7
    # One failure more than the fixed plan that passes good benches as often, and not two.
    at_good = [Terms(rate, confidence, d).curve(np.array([1 - 0.25 * (1 - rate)])) for d in
               (terms.allowed - 2, terms.allowed - 1)]  # fmt: skip
    assert at_good[0]["confirmed"].item() < 0.9 <= at_good[1]["confirmed"].item()
    assert curve["presses"].max() < at_good[1]["presses"].item()
    assert terms.presses == presses_to_confirm(rate, confidence, terms.allowed)


def test_fewest_presses_that_confirm_press_by_press() -> None:
    """By hand, for 90 % at 90 %: k = ln(0.1 x 0.975 / (0.025 x 0.9)) = 1.4663, slope 0.08004 / k =
    0.05459, h1 = ln 9 / k = 1.4984: 28 presses without a failure reach Wald's own line, which is
    moved out to 1.72, and 32.  By trying: one fewer is still open."""
    terms = Terms(0.9, 0.9, sequential=True)
    assert terms.rule is not None
    fewest = terms.fewest_presses()
    assert fewest == 32
    assert terms.rule.decide(np.zeros(fewest, dtype=bool)) == ("accepted", fewest)
    assert terms.rule.decide(np.zeros(fewest - 1, dtype=bool))[0] == "open"
    # A fixed plan: 22 presses, for 0.9^22 < 0.1 < 0.9^21.
    assert Terms(0.9, 0.9).fewest_presses() == 22
