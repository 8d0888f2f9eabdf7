"""Reference answers of a general sampler for small sessions: writes them for the tests to hold.

Run from the root, with numpyro installed (``pip install numpyro``; a venv of its own will do):
``python -m tests.bench.reference_draws tests/maths/data/reference_draws.json [case ...]``; with
names of cases only these are sampled, and the others stay.  A minute or more for each.
All grades are invented: drawn from a truth that is not the model.
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np

from tests.bench.general_sampler import draw, prior_at, summary

FIVE_GRADES = [-2.0, -1.0, 0.0, 1.0]
PASS_FAIL = [0.0]
# Grades that say little leave long tails: sampled half as long again.
LONG = ("separated", "all pass", "all fail")


def _session(
    seed: int,
    presses: int,
    cuts: list[list[float] | None],
    *,
    settings: int = 4,
    word: bool = False,
    fabrics: int = 1,
    centre: float = 0.5,
    reach: float = 1.0,
) -> dict[str, Any]:
    """An invented session: settings spread over the range, four presses a load, five a round."""
    rng = np.random.default_rng(seed)
    x = rng.choice([-1.0, -0.5, 0.0, 0.5, 1.0], size=(presses, settings)) * reach
    if word:
        x[:, -1] = rng.integers(0, 2, presses)
    fabric = rng.integers(0, fabrics, presses)
    load, round_ = np.arange(presses) // 4, rng.permutation(presses) // 5
    load_luck, round_luck = rng.normal(0, 0.2, presses), rng.normal(0, 0.15, presses)
    best, turn = rng.normal(0, 0.25, settings), rng.normal(0, 0.3, (len(cuts), settings))
    rows = []
    for i in range(presses):
        for o, steps in enumerate(cuts):
            away = x[i] - best - 0.2 * fabric[i]
            quality = centre + 0.8 - 1.2 * np.abs(away).sum() / np.sqrt(settings) + turn[o] @ x[i]
            quality += load_luck[load[i]] + round_luck[round_[i]] + rng.normal(0, 0.3)
            grade = -1 if steps is None else int(np.searchsorted(steps, quality))
            value = float(np.round(quality, 2)) if steps is None else None
            rows.append((x[i].tolist(), int(fabric[i]), o, int(load[i]), int(round_[i]), i,
                         grade, value))  # fmt: skip
    keys = ("settings", "fabric", "outcome", "load", "round", "press", "grade", "value")
    case: dict[str, Any] = {k: list(v) for k, v in zip(keys, zip(*rows, strict=True), strict=True)}
    stage = ["cure", "cure", "press", "press"][:settings]
    case["stage"] = [*stage[:-1], "peel"] if word else stage
    case["word"] = [word and i == settings - 1 for i in range(settings)]
    case["trade_off"] = [[i, i + 1] for i in (0, 2) if i + 1 < settings and not case["word"][i + 1]]
    case["cuts"] = cuts
    points = rng.uniform(-1, 1, (12, settings))
    points[:2] = [np.zeros(settings), x[0]]
    if word:
        points[:, -1] = np.arange(12) % 2
    case["points"] = np.round(points, 3).tolist()
    case["points_fabric"] = [k % fabrics for k in range(12)]
    return case


def _only(case: dict[str, Any], keep: list[int]) -> dict[str, Any]:
    """The case with only these rows seen."""
    rows = ("settings", "fabric", "outcome", "load", "round", "press", "grade", "value")
    return {k: [v[i] for i in keep] if k in rows else v for k, v in case.items()}


def cases() -> dict[str, dict[str, Any]]:
    """Small sessions of 12 to 26 presses, the awkward ones among them."""
    two = [FIVE_GRADES, FIVE_GRADES]
    separated = _session(2, 16, [PASS_FAIL, PASS_FAIL])
    # Every press above one press temperature passes, every other one fails.
    separated["grade"] = [int(x[2] > 0) for x in separated["settings"]]
    all_pass = _session(3, 12, two, reach=0.5)
    all_pass["grade"] = [4] * len(all_pass["grade"])
    all_fail = _session(4, 14, [PASS_FAIL, PASS_FAIL])
    all_fail["grade"] = [0] * len(all_fail["grade"])
    missing = _session(5, 26, two)
    # The wash of the last ten presses is pending, the peel of three was never graded.
    missing = _only(missing, [
        i for i, (o, p) in enumerate(zip(missing["outcome"], missing["press"], strict=True))
        if not (o == 1 and p >= 16) and not (o == 0 and p in (3, 7, 11))
    ])  # fmt: skip
    return {
        "mixed grades": _session(1, 20, two),
        "separated": separated,
        "all pass": all_pass,
        "all fail": all_fail,
        "missing grades": missing,
        "one measured": _session(6, 18, [FIVE_GRADES, None]),
        "two fabrics, a peel method": _session(7, 24, two, word=True, fabrics=2),
        "pass or fail": _session(8, 26, [PASS_FAIL, PASS_FAIL], centre=0.9),
        "three wash counts": _washed(9, 16),
    }


def _washed(seed: int, presses: int) -> dict[str, Any]:
    """One quality after one, five and twenty washes, the last accepted at a lower grade; the last
    washes of four presses are pending, and two were graded better than the wash before."""
    case = _session(seed, presses, [FIVE_GRADES, FIVE_GRADES, [-1.0, 0.0, 1.0, 2.0]])
    for i in range(0, 3 * presses, 3):
        first, fall = case["grade"][i], (i // 3) % 3
        case["grade"][i + 1] = max(first - (fall > 0), 0)
        case["grade"][i + 2] = max(first - fall, 0)
    case["grade"][4], case["grade"][11] = (
        min(case["grade"][3] + 1, 4),
        min(case["grade"][10] + 1, 4),
    )
    case["series"], case["falls"] = [0, 0, 0], [[0, 1, 0.0], [1, 2, -1.0]]
    return _only(case, [i for i in range(3 * presses) if i % 3 < 2 or i // 3 < presses - 4])


def main(where: Path, names: list[str]) -> None:
    """Sample the cases and write the file anew after each."""
    out: dict[str, Any] = json.loads(where.read_text(encoding="utf-8")) if names else {}
    for name, case in cases().items():
        if names and name not in names:
            continue
        start = time.perf_counter()
        samples = 1200 if name in LONG else 800
        draws = draw(case, warmup=300, samples=samples, chains=4, seed=1)
        reference = summary(case, draws, seed=1, thin=1)
        out[name] = {**case, "prior": prior_at(case, seed=1), "reference": reference}
        found = out[name]["reference"]
        print(
            f"{name}: {time.perf_counter() - start:.0f} s, R-hat at most {found['r_hat']}, "
            f"pass-rate error at most {max(found['pass_rate_error'])}",
            flush=True,
        )
        lines = ",\n".join(f"{json.dumps(k)}: {json.dumps(v)}" for k, v in out.items())
        where.write_text("{\n" + lines + "\n}\n", encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2:])
