"""Sites of scales far from those they set out from: fitted anew where they do not settle."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from dtfexp.maths.field.parameters import Hyperparameters, Prior
from dtfexp.maths.field.points import CURE, PRESS, FieldShape, Points
from dtfexp.maths.inference.hyperparameters import n_dimensions, to_hyperparameters
from dtfexp.maths.inference.observations import Data, GradeScale
from dtfexp.maths.inference.site_fitting import fit_settled_sites, fit_sites

SHAPE = FieldShape((CURE, CURE, PRESS, PRESS), (False,) * 4, (), 2)
GRADED = (GradeScale(np.array([-2.0, -1.0, 0.0, 1.0])),) * 2
NEAR = to_hyperparameters(np.zeros(n_dimensions(2)), 2)
#: Much steeper, with less noise.
FAR = replace(NEAR, amplitude=2.5, noise=np.full(2, 0.2), ceiling=2.2)


def mostly_failing(presses: int) -> Data:
    """Presses all over the range, few of them good, each in a load and a round of its own."""
    rng = np.random.default_rng(0)
    press = np.repeat(np.arange(presses), 2)
    codes = rng.uniform(-1.0, 1.0, (presses, 4))
    first = np.where(rng.random(presses) < 0.15, 3, 0)
    second = rng.choice([0, 2, 4], presses, p=[0.6, 0.2, 0.2])
    return Data(
        at=Points(codes[:, :, None], np.ones(1), np.zeros(presses, dtype=int)).take(press),
        outcome=np.tile([0, 1], presses),
        load=press,
        round_=press,
        block=np.full(2 * presses, -1),
        press=press,
        grade=np.column_stack([first, second]).ravel(),
        value=np.full(2 * presses, np.nan),
    )


def test_sites_that_do_not_settle_are_fitted_anew_and_the_others_kept() -> None:
    data, near_by = mostly_failing(26), replace(NEAR, amplitude=1.1)

    def sites(hyper: list[Hyperparameters], **options: float):
        return fit_sites(data, SHAPE, Prior(), GRADED, hyper, **options)

    start, options = sites([NEAR]), {"tolerance": 0.03, "sweeps": 15}
    both = fit_settled_sites(data, SHAPE, Prior(), GRADED, [near_by, FAR], start, **options)
    warm = fit_sites(data, SHAPE, Prior(), GRADED, [near_by, FAR], start, **options)
    anew = sites([FAR], tolerance=0.03)
    assert list(warm.converged) == [True, False]
    assert anew.converged.all()
    assert both.converged.all()
    assert both.log_evidence[0] == warm.log_evidence[0]
    assert both.log_evidence[1] == anew.log_evidence[0]
    assert np.array_equal(both.mean, np.vstack([warm.mean[:1], anew.mean]))
