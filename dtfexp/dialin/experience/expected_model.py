"""A session as its experience expects it, before the first press."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

from dtfexp.describe.session import Session
from dtfexp.dialin.encode.coding import Coding
from dtfexp.dialin.encode.results import check_results
from dtfexp.dialin.experience.joining import doubted
from dtfexp.dialin.experience.learnt_prior import learnt_prior
from dtfexp.dialin.model.fitted import FittedModel
from dtfexp.maths.field.parameters import Prior
from dtfexp.maths.inference.infer import infer


def expected_model(session: Session) -> FittedModel:
    """Return the fit of a session to no presses: what its priors expect.

    METHODS.md, section 16.
    """
    whole = {name: pd.Series(dtype=int) for name in ("press", "oven_load", "press_round")}
    words = {f.name: pd.Series(dtype=float if f.is_numeric else object) for f in session.factors}
    grades = {o.name: pd.Series(dtype=float) for o in session.outcomes}
    fabric = {"fabric": pd.Series(dtype=object)}
    none = check_results(session, pd.DataFrame(whole | fabric | words | grades))
    coding = Coding(session)
    learnt = learnt_prior(session)
    if learnt is not None and session.experience is not None:
        # Where to look first it may say itself: beside most of the general prior, which is best at
        # today's settings, it would hardly ever look elsewhere.
        learnt = replace(learnt, share=doubted(session.experience.books))
    post = infer(coding.data(none), coding.shape, coding.graded, Prior(), learnt=learnt)
    return FittedModel(session, none, post)
