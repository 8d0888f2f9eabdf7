"""What one logbook told, small enough to keep and to send: METHODS.md, equation (40)."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from dtfexp.describe import units
from dtfexp.describe.session import Session
from dtfexp.dialin.encode.coding import Coding, excluded_rows
from dtfexp.dialin.encode.results import check_results
from dtfexp.dialin.experience.classes import classes_of
from dtfexp.dialin.experience.moves import Kept, Move
from dtfexp.dialin.experience.shared_settings import (
    CodedSetting,
    coded_factors,
    coded_settings,
    from_table,
    to_table,
)
from dtfexp.maths.field.parameters import Prior
from dtfexp.maths.inference.infer import at_central_hyperparameters, infer
from dtfexp.maths.inference.measured_units import in_fitted_units
from dtfexp.maths.inference.posterior import Posterior
from dtfexp.maths.inference.single_thread import SINGLE_THREAD
from dtfexp.maths.inference.trend_message import Message, scale_message, trend_message


@dataclass(frozen=True)
class FieldMessage:
    """What was told of one fabric's and one outcome's field.

    ``classes`` it belongs to; ``fabric``; ``message`` over the monomials of the session's settings;
    ``weight``: its share of a bench of its own, as outcomes and fabrics of a book repeat one
    another; ``limits``: setting -> °C above which the fabric was not to be set, where its own limit
    ends the range.
    """

    classes: tuple[str, ...]
    fabric: str
    message: Message
    weight: float
    limits: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class BookMessage:
    """What one logbook told: of its fields, its nine scales, and what changes moved and kept."""

    digest: str
    presses: int
    fabrics: tuple[str, ...]
    settings: tuple[CodedSetting, ...]
    fields: tuple[FieldMessage, ...]
    scales: Message
    moves: tuple[Move, ...] = ()
    kept: tuple[Kept, ...] = ()

    def to_text(self) -> str:
        """Return it as JSON."""
        return json.dumps(
            {
                "digest": self.digest,
                "presses": self.presses,
                "fabrics": self.fabrics,
                "settings": [to_table(setting) for setting in self.settings],
                "fields": [
                    {
                        "classes": f.classes,
                        "fabric": f.fabric,
                        "weight": f.weight,
                        "limits": f.limits,
                    }
                    | _lists(f.message)
                    for f in self.fields
                ],
                "scales": _lists(self.scales),
                "moves": [asdict(move) for move in self.moves],
                "kept": [asdict(one) for one in self.kept],
            }
        )

    @classmethod
    def from_text(cls, text: str) -> BookMessage:
        """Return the message that :meth:`to_text` wrote, to the last digit."""
        told = json.loads(text)
        return cls(
            told["digest"],
            told["presses"],
            tuple(told["fabrics"]),
            tuple(map(from_table, told["settings"])),
            tuple(
                FieldMessage(
                    tuple(f["classes"]), f["fabric"], _message(f), f["weight"], f["limits"]
                )
                for f in told["fields"]
            ),
            _message(told["scales"]),
            tuple(Move(**move) for move in told["moves"]),
            tuple(
                Kept(one["what"], one["general"], tuple(one["log_evidence"]))
                for one in told["kept"]
            ),
        )


def _lists(message: Message) -> dict[str, Any]:
    return {
        "precision": message.precision.tolist(),
        "information": message.information.tolist(),
    }


def _message(table: dict[str, Any]) -> Message:
    return Message(np.array(table["precision"]), np.array(table["information"]))


def digest_of(session: Session, results: pd.DataFrame, changed: str = "") -> str:
    """Return the digest of a session and its results; ``changed``: its noted changes as text."""
    plain = session.altered(experience=None).to_toml()
    text = results.sort_values("press").to_json(orient="split", index=False)
    return hashlib.sha256(f"{plain}\n{text}\n{changed}".encode()).hexdigest()


def book_message(
    session: Session,
    results: pd.DataFrame,
    *,
    carried: Posterior | None = None,
    moves: tuple[Move, ...] = (),
    kept: tuple[Kept, ...] = (),
    digest: str = "",
) -> BookMessage:
    """Return what a session and its results told; the general prior is taken out again.

    ``carried``: its posterior under the general prior where changes were noted, what ``moves`` they
    made and what was ``kept``; ``digest``: that of :func:`digest_of`. METHODS.md, equation (40).
    """
    plain = session.altered(experience=None)
    checked = check_results(plain, results)
    coding = Coding(plain)
    names = [outcome.name for outcome in coding.outcomes]
    graded = checked[names].notna().any(axis=1).to_numpy() & ~excluded_rows(checked)
    pressed = [f for f in plain.fabrics if (checked["fabric"][graded] == f.name).any()]
    with SINGLE_THREAD:
        post = carried
        if post is None:
            data, shape = in_fitted_units(coding.data(checked), coding.shape, Prior())
            post = infer(data, shape, coding.graded, Prior())
        central = at_central_hyperparameters(post)
    # A measured outcome has a unit of its own in each book, and is left out beside grades.
    only_measured = all(outcome.kind == "measured" for outcome in coding.outcomes)
    alike = central.integration_points[0].outcome_correlation
    weight = 1.0 / (1.0 + (len(names) - 1) * alike) / max(len(pressed), 1)
    return BookMessage(
        digest or digest_of(session, results),
        int(graded.sum()),
        tuple(fabric.name for fabric in pressed),
        coded_settings(plain),
        tuple(
            FieldMessage(
                classes_of(plain, fabric, outcome),
                fabric.name,
                trend_message(central, coding.fabric_index(fabric.name), o),
                float(weight),
                _heat_limits(plain, fabric.name),
            )
            for fabric in pressed
            for o, outcome in enumerate(coding.outcomes)
            if outcome.kind != "measured" or only_measured
        ),
        scale_message(post),
        moves,
        kept,
    )


def _heat_limits(session: Session, fabric: str) -> dict[str, float]:
    """Return the highest setting of each temperature that the fabric's own limit ends, in °C."""
    out = {}
    for factor, setting in zip(coded_factors(session), coded_settings(session), strict=True):
        if factor.is_temperature:
            # Nothing is left where a limit came after the presses.
            allowed = session.allowed(factor, fabric)
            top = float(allowed[-1]) if len(allowed) else units.lowest(factor.unit)
            if top < factor.bounds[1]:
                out[setting.key] = units.convert(top, factor.unit, "°C")
    return out
