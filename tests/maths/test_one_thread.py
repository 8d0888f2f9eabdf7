"""Threads of the linear algebra libraries while the project works, and afterwards."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from threadpoolctl import threadpool_info, threadpool_limits

from dtfexp import fit, next_presses, plan
from dtfexp.maths.inference import infer
from dtfexp.maths.inference.single_thread import SINGLE_THREAD, single_threaded
from tests.dialin.bench import FOUR, graded


def _threads() -> set[int]:
    return {library["num_threads"] for library in threadpool_info()}


def test_work_is_done_by_one_thread_and_the_others_are_given_back() -> None:
    np.ones((2, 2)) @ np.ones((2, 2))
    with threadpool_limits(limits=2):
        before = _threads()
        assert single_threaded(_threads)() == {1}
        with SINGLE_THREAD, SINGLE_THREAD:
            assert _threads() == {1}
        assert _threads() == before
        with pytest.raises(ValueError), SINGLE_THREAD:
            raise ValueError
        assert _threads() == before


def test_a_fit_is_made_by_one_thread(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[set[int]] = []
    sites = infer.fit_sites

    def watched(*args: Any, **kwargs: Any) -> Any:
        seen.append(_threads())
        return sites(*args, **kwargs)

    monkeypatch.setattr(infer, "fit_sites", watched)
    with threadpool_limits(limits=2):
        fitted = fit(FOUR, graded(FOUR, plan(FOUR, 6).runs))
        next_presses(FOUR, fitted.results, 2)
    assert len(seen) > 4 and all(threads == {1} for threads in seen)
