"""What a picture proposes for which outcome."""

import pytest

from dtfexp import CouponError, Outcome
from dtfexp.coupon.measures import ColourChange, CouponMeasures, Measured
from dtfexp.coupon.payload import Label
from dtfexp.coupon.proposals import Proposal, proposals, worst_change


def measures(missing=0.5, cracked=0.0, change=0.0, sd=0.1, **more):
    colours = {
        name: ColourChange((50, 0, 0), (50 + shift, 0, 0), Measured(shift, sd))
        for name, shift in (("cyan", change), ("red", change / 2), ("upper black", 3 * change))
    }
    return CouponMeasures(
        Label("AB12Z", 3, "wash"), "before", missing=Measured(missing, sd),
        cracked=Measured(cracked, sd), colours=colours, **more,
    )  # fmt: skip


PEEL, WASH = Outcome("peel"), Outcome("wash", washes=5, step=0.5)


def test_peel_is_graded_by_what_is_missing_at_the_press():
    (name, one), *others = proposals([PEEL, WASH], measures(missing=5), 0).items()
    # 5 % is 3-4 of our bands; on whole steps the lower grade is proposed.
    assert (name, one.value, others) == ("peel", 3, [])
    assert "5.0 % of the print missing" in one.why


@pytest.mark.parametrize(
    ("seen", "grade", "why"),
    [
        ({"change": 3.4}, 3, "cyan changed by 3.4"),
        ({"missing": 15}, 2, "15.0 % of the print missing"),
        ({"cracked": 3, "change": 0.8}, 4, "3.0 % of the solid cracked"),
        ({}, 5, ""),
    ],
)
def test_wash_is_the_worst_of_colour_missing_and_cracks(seen, grade, why):
    found = proposals([PEEL, WASH], measures(**seen), 5)
    assert list(found) == ["wash"]
    assert found["wash"].value == grade and why in found["wash"].why


def test_the_number_of_washes_decides():
    twenty = Outcome("wash 20", washes=20)
    assert list(proposals([WASH, twenty], measures(), 20)) == ["wash 20"]
    assert proposals([WASH, twenty], measures(), 1) == {}
    assert list(proposals([Outcome("wash")], measures(), 1)) == ["wash"]


def test_uncertainty_spreads_the_range_not_the_grade():
    one = proposals([WASH], measures(change=2.0, sd=0.6), 5)["wash"]
    assert (one.low, one.value, one.high) == (3.5, 4, 4.5)
    sure = proposals([WASH], measures(change=2.0, sd=0.01), 5)["wash"]
    assert sure.low == sure.value == sure.high == 4


def test_noise_alone_is_not_called_a_change():
    assert worst_change(measures(change=0.5, sd=0.5))[1].value == 0
    assert worst_change(measures(change=5.0, sd=0.3))[1].value == pytest.approx(4.99, abs=0.01)
    assert worst_change(CouponMeasures(Label("AB12Z", 3), "artwork")) is None


def test_measured_outcomes_take_the_number_in_their_range():
    missing = Outcome("missing print", worst=40, best=0, accept=2, kind="measured", unit="%")
    colour = Outcome("colour change", worst=12, best=0, accept=2, kind="measured", washes=5)
    line = Outcome("finest line", worst=2, best=0.1, accept=0.3, kind="measured", unit="mm")
    now = proposals([missing, line], measures(missing=55, line=Measured(0.2, 0.05)), 0)
    assert now["missing print"].value == 40
    assert now["finest line"].value == 0.2
    assert (now["finest line"].low, now["finest line"].high) == pytest.approx(
        (0.1178, 0.2823), abs=1e-3
    )
    assert proposals([colour], measures(change=3.0), 5)["colour change"].value == 3.0


def test_what_nothing_measured_answers_gets_no_proposal():
    others = [
        Outcome("hand"),
        Outcome("cross-cut adhesion", worst=5, best=0, accept=1),
        Outcome("peel fit to sell", kind="passfail"),
        Outcome("weight", worst=0, best=9, accept=5, kind="measured"),
    ]
    assert proposals(others, measures(), 0) == {}


def test_a_proposal_is_kept_as_json_and_refused_when_it_is_none():
    one = Proposal(4.0, 3.5, 4.5, "because")
    assert Proposal.of_said(one.said()) == one
    for wrong in (None, [], [1, 2, 3], ["a", 1, 2, "x"], 7):
        with pytest.raises(CouponError, match="proposal: got"):
            Proposal.of_said(wrong)
