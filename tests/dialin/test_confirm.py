"""The success run."""

import pytest

from dtfexp import PlanError, presses_to_confirm

# Classical binomial success run, no single source. 22 at 90/90 and 59 at 95/95 seen in print;
# the others follow from n = ln(1 - C) / ln(R), rounded up. Key: (confidence, reliability).
RUNS = {
    (0.90, 0.90): 22, (0.95, 0.90): 29, (0.90, 0.95): 45, (0.95, 0.95): 59, (0.99, 0.95): 90,
    (0.95, 0.99): 299,
}  # fmt: skip
# With 0, 1, 2, 3 failures allowed; recomputed with scipy's binomial.
WITH_FAILURES = {
    (0.95, 0.95): (59, 93, 124, 153),
    (0.90, 0.90): (22, 38, 52, 65),
    (0.95, 0.90): (29, 46, 61, 76),
}


@pytest.mark.parametrize(("key", "runs"), RUNS.items())
def test_runs_without_a_failure(key, runs):
    confidence, rate = key
    assert presses_to_confirm(rate, confidence) == runs
    assert 1 - rate**runs >= confidence > 1 - rate ** (runs - 1)


@pytest.mark.parametrize(("key", "row"), WITH_FAILURES.items())
def test_runs_with_failures(key, row):
    confidence, rate = key
    assert tuple(presses_to_confirm(rate, confidence, failures=k) for k in range(4)) == row


def test_an_exact_power_needs_no_extra_press():
    assert presses_to_confirm(0.5, 0.75) == 2
    assert presses_to_confirm(0.1, 0.9) == 1
    assert presses_to_confirm(0.3, 0.7) == 1
    assert presses_to_confirm(0.2, 0.992) == 3


def test_a_very_high_confidence_is_not_rounded_away():
    # By hand: ln(1e-13) / ln(0.9) = 284.1.
    assert presses_to_confirm(0.9, 1 - 1e-13) == 285


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ((1, 0.9), "pass_rate: got 1; accepted a number between 0 and 1"),
        ((0, 0.9), "pass_rate: got 0"),
        ((90, 0.9), "pass_rate: got 90"),
        (("90%", 0.9), "pass_rate: got '90%'"),
        ((0.9, 1.0), "confidence: got 1"),
        ((0.9, float("nan")), "confidence: got nan"),
        ((0.9, 0.9, -1), "failures: got -1; accepted a whole number from 0"),
        ((0.9, 0.9, 1.5), "failures: got 1.5"),
        ((1 - 1e-9, 0.9), "needs more than 10000000 presses"),
    ],
)
def test_what_cannot_be_asked(arguments, said):
    with pytest.raises(PlanError) as caught:
        presses_to_confirm(*arguments)
    assert said in str(caught.value)
