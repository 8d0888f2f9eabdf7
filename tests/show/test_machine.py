"""windows.json and windows.csv: their schema, their numbers, their bytes."""

from __future__ import annotations

import csv
import hashlib
import io
import json
from importlib.resources import files
from typing import Any

import jsonschema
import pytest

from dtfexp.show.report import machine_readable
from dtfexp.show.text.cautions import CAUTIONS
from dtfexp.show.text.fabric_results import fabric_result
from dtfexp.show.text.number_format import NumberFormat
from tests.show.conftest import StandInFit, make_results, make_session

SCHEMA = json.loads(files("dtfexp.show.report").joinpath("windows.schema.json").read_text("utf-8"))


def document(fit: StandInFit, unit: str | None = None) -> dict[str, Any]:
    findings = [fabric_result(fit, f.name, maps=0) for f in fit.session.fabrics]  # type: ignore[arg-type]
    reading = NumberFormat.of(fit.session, unit)
    return machine_readable.as_dict(findings, fit.session, fit.results, reading, seeds=[3, 4])


@pytest.mark.parametrize("found", [True, False])
@pytest.mark.parametrize("presses", [0, 12])
@pytest.mark.parametrize("unit", [None, "°F"])
def test_it_keeps_to_the_published_schema(found: bool, presses: int, unit: str | None) -> None:
    session = make_session()
    fit = StandInFit(session, make_results(session, presses), found=found)
    told = json.loads(machine_readable.to_json(document(fit, unit)))
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    jsonschema.validate(told, SCHEMA)


def test_the_schema_refuses_what_is_not_ours(fit: StandInFit) -> None:
    told = document(fit)
    told["windows"][0]["pass_rate"] = 97
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(told, SCHEMA)


def test_the_numbers_are_those_of_the_window(fit: StandInFit) -> None:
    window = fit.window("polyester")
    told = document(fit)["windows"][1]
    assert told["target"] == window.target
    assert told["low"] == window.low
    assert told["high"] == window.high
    assert told["pass_rate"] == 0.97
    assert told["stated"] == "about 97 of 100"
    assert told["confidence"] == 0.96
    assert told["margin_in_spreads"]["press_time"] == {"low": 1.0, "high": 2.0}
    assert told["margin_in_spreads"]["peel_film"] is None


def test_another_unit_converts_settings_spreads_and_sentences(fit: StandInFit) -> None:
    told = document(fit, "°F")
    assert told["temperature_unit"] == "°F"
    press = next(f for f in told["factors"] if f["name"] == "press_temperature")
    assert press["unit"] == "°F"
    assert press["spread"] == pytest.approx(7.2)  # 4 °C apart is 7.2 °F apart
    window = told["windows"][1]
    assert window["target"]["press_temperature"] == 320.0
    assert window["low"]["press_temperature"] == 311.0
    assert window["target"]["press_time"] == 15.0
    assert "257\u00a0°F" in window["reason"]
    # Margins count in spreads and are the same in every unit.
    assert window["margin_in_spreads"] == document(fit)["windows"][1]["margin_in_spreads"]


def test_without_a_window_low_and_high_are_null(no_window: StandInFit) -> None:
    told = document(no_window)["windows"][0]
    assert told["found"] is False
    assert told["low"] is None and told["high"] is None
    assert told["target"]["press_time"] == 15.0


def test_the_digest_is_of_the_results_and_of_nothing_else(fit: StandInFit) -> None:
    text = fit.results.sort_values("press").to_csv(index=False, lineterminator="\n")
    assert machine_readable.digest(fit.results) == hashlib.sha256(text.encode()).hexdigest()
    shuffled = fit.results.iloc[::-1].reset_index(drop=True)
    assert machine_readable.digest(shuffled) == machine_readable.digest(fit.results)
    changed = fit.results.copy()
    changed.loc[0, "peel"] = 6 - changed.loc[0, "peel"] + 1
    assert machine_readable.digest(changed) != machine_readable.digest(fit.results)


def test_the_csv_has_a_row_per_fabric_and_setting(fit: StandInFit) -> None:
    told = document(fit)
    rows = list(csv.DictReader(io.StringIO(machine_readable.to_csv(told))))
    assert len(rows) == len(fit.session.fabrics) * len(fit.session.factors)
    for window in told["windows"]:
        for factor in told["factors"]:
            row = next(
                r for r in rows if (r["fabric"], r["factor"]) == (window["fabric"], factor["name"])
            )
            target = window["target"][factor["name"]]
            assert row["target"] == target or float(row["target"]) == target
            assert row["unit"] == factor["unit"]
            assert float(row["pass_rate"]) == window["pass_rate"]
            assert row["found"] == "yes"
            assert int(row["presses"]) == window["presses"]


def test_the_csv_leaves_unknown_cells_empty(no_window: StandInFit) -> None:
    rows = list(csv.DictReader(io.StringIO(machine_readable.to_csv(document(no_window)))))
    assert {r["low"] for r in rows} == {""}
    assert {r["found"] for r in rows} == {"no"}


def test_the_same_input_gives_the_same_text(fit: StandInFit) -> None:
    assert machine_readable.to_json(document(fit)) == machine_readable.to_json(document(fit))
    assert machine_readable.to_csv(document(fit)) == machine_readable.to_csv(document(fit))
    assert document(fit)["cautions"] == list(CAUTIONS)
    assert document(fit)["seeds"] == [3, 4]


def test_numbers_that_are_not_known_are_null_and_never_nan(fit: StandInFit) -> None:
    assert machine_readable._tidy(float("nan")) is None
    assert machine_readable._tidy(float("inf")) is None
    assert machine_readable._tidy(-1e-9) == 0.0
    assert "NaN" not in machine_readable.to_json(document(fit))
