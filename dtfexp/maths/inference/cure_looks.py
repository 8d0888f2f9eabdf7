"""The look of a cured load as an ordered sign of too little or too much cure.

Before anything is pressed the powder side looks grainy (too little), melted and glossy (good) or
browned (too much).  Grades fall on both sides of the best cure, so a look says nothing of their
height; it says on which side of the best the load lies.  That is the slope of the field: where the
cure was too little, more of it makes prints better.  With e the step of one look (a quarter of
half a range, up and down, in temperature and in the logarithm of the time together) the latent
value of a look at cure c is

    h(c) = mean over outcomes of  f(c + e) - f(c - e),    press at its usual setting,

a linear functional of the same Gaussian field, and the look is h plus the bias of the eye plus
noise, cut in three: grainy above ``CUT``, browned below minus ``CUT``, good between.  The bias is
one draw for all looks, so that looks which are all wrong the same way do not outvote the grades,
however many there are.  The likelihood is the ordered probit of a grade (log-concave, so
expectation propagation needs nothing new), the covariances are differences of the field's own
(:class:`dtfexp.maths.field.points.Points`).  Film and powder are of no fabric: the row shares with
every fabric what fabrics share with one another.

Sources: Riihimaki & Vehtari 2010, Gaussian processes with monotonicity information, Proc. AISTATS,
PMLR 9:645 (signs of a slope as observations; from memory); McCullagh 1980 for the cuts
(:mod:`dtfexp.maths.propagation.ordinal`).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Ints = NDArray[np.int_]

GRAINY, GOOD, BROWNED = 0, 1, 2

# Half the step between the two ends of a look, in half-ranges of a setting.
HALF_STEP = 0.25
# Grades gained over the step: good lies between minus and plus this, about the slope at which the
# dome of the trade mean comes down to the acceptance cut.  Of 0.9, 1.6, 2.2 and 3.0, with a noise
# of 0.5 or 0.9, this pair fitted simulated benches best or nearly so (``tests/bench/simulated``);
# no published source.
CUT = 2.2
# Noise of one look, and bias common to all looks.
NOISE = 0.9
RATER_SD = 0.5


def latent_interval(look: Ints) -> tuple[Array, Array]:
    """Return the two values of h (k,) between which each look lies. METHODS.md, equation (13)."""
    edges = np.array([np.inf, CUT, -CUT, -np.inf])
    return edges[look + 1], edges[look]
