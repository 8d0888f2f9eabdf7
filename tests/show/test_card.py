"""The settings card: one page, every number on it, nothing cut off, honest when unproven."""

from __future__ import annotations

from dataclasses import replace
from io import BytesIO

import numpy as np
import pymupdf
import pytest
from pypdf import PdfReader

from dtfexp import Fabric, Factor, Outcome, Session
from dtfexp.show.paper.card import settings_card
from dtfexp.show.text.cautions import SHORT_CAUTIONS
from dtfexp.show.text.fabric_results import fabric_result
from dtfexp.show.text.number_format import NumberFormat, out_of_text
from dtfexp.show.text.report_text import (
    confirmed_text,
    next_steps,
    rate_interval,
    summary,
    usual_line,
)
from tests.show.conftest import WHEN, StandInFit, make_results, make_session

LONG = "Heavy brushed fleece 380 g, anthracite X"


def card(fit: StandInFit, fabric: str, unit: str | None = None, **options: object) -> bytes:
    finding = fabric_result(fit, fabric, maps=0)  # type: ignore[arg-type]
    reading = NumberFormat.of(fit.session, unit)
    return settings_card(finding, fit.session, reading, last_entry=WHEN, **options)  # type: ignore[arg-type]


def words(pdf: bytes) -> str:
    pages = PdfReader(BytesIO(pdf)).pages
    assert len(pages) == 1
    return " ".join(pages[0].extract_text().replace("\u00a0", " ").split())


def test_it_says_what_to_set_in_both_units_and_what_to_expect(fit: StandInFit) -> None:
    text = words(card(fit, "cotton jersey"))
    for piece in (
        "cotton jersey",
        "Expect about 97 of 100 to pass",
        "6 presses in all, 3 inside the window, 1 at the target; confirmed 0 of 22",
        "Dark: the proven part. Thin line: this setting alone",
        "160 °C",
        "320 °F",
        "125 °C",
        "257 °F",
        "15 s",
        "alone: 50 to 80 s",
        "peel film",
        "Data up to 2026-11-20",
        "Finish: press again 5 to 8 s",
        "common practice",
    ):
        assert piece in text, piece
    for line in SHORT_CAUTIONS:
        assert " ".join(line.split()) in text


def test_the_unit_asked_for_comes_first(fit: StandInFit) -> None:
    text = words(card(fit, "cotton jersey", "°F"))
    assert text.index("320 °F") < text.index("160 °C")
    assert "alone: 248 to 275 °F" in text
    text = words(card(fit, "cotton jersey"))
    assert text.index("160 °C") < text.index("320 °F")


def test_each_edge_says_what_to_watch_for_and_which_way_to_move(fit: StandInFit) -> None:
    text = words(card(fit, "polyester"))
    assert "Below 120 °C (95 % sure): grainy underside" in text
    assert "→ hotter" in text
    assert "Above 135 °C: not known; if no clean hot or warm peel" in text
    limit = (
        "polyester takes 165 °C at most. The heat press may run hotter than its dial (not "
        "measured: allowance 4 °C): set 161 °C or less."
    )
    assert f"Above 161 °C: NEVER. {limit}" in text
    # At the edge and among the conditions; the bar ends at the last dial step below it.
    assert text.count(limit) == 2 and "160 °C, heat limit 161 °C" in text
    assert "180 °C" not in text


def test_without_a_window_it_shouts_so_and_still_helps(no_window: StandInFit) -> None:
    pdf = card(no_window, "cotton jersey")
    text = words(pdf)
    assert "NOT PROVEN" in text
    assert "Do not sell on these yet" in text
    assert "Expect about" not in text
    assert "160 °C" in text
    assert "the best cure temperature known is 125 °C" in text
    largest = max(
        span["size"]
        for block in pymupdf.open(stream=pdf)[0].get_text("dict")["blocks"]
        for line in block.get("lines", [])
        for span in line["spans"]
        if "NOT PROVEN" in span["text"]
    )
    assert largest >= 36


def test_few_presses_or_missing_grades_are_said(session: Session) -> None:
    few = StandInFit(session, make_results(session, 12, pending=2))
    text = words(card(few, "cotton jersey"))
    assert "MAY STILL MOVE: only 6 presses are graded; 1" in text


def test_conditions_and_a_book_without_entries(fit: StandInFit) -> None:
    finding = fabric_result(fit, "cotton jersey", maps=0)  # type: ignore[arg-type]
    pdf = settings_card(
        finding, fit.session, NumberFormat("°C"), conditions=["Tried with powder lots 7 and 9."]
    )
    text = words(pdf)
    assert "Tried with powder lots 7 and 9." in text
    assert "No entry in the logbook yet." in text


def _seven(fabric: str) -> Session:
    return Session(
        "A session with a very long name that runs on and on, for winter 2026 and later",
        [
            *(
                Factor(f"setting number {i} with quite a long name", 10, 50, "s", spread=1)
                for i in range(4)
            ),
            Factor("press temperature", 285, 350, "°F", 5, spread=8),
            Factor("pressure", 1, 5, "bar", 0.25, spread=0.1),
            Factor("peel", levels=("hot", "warm", "cold and slowly by two people")),
        ],
        [Outcome("peel grade"), Outcome("wash")],
        [Fabric(fabric, 340, "°F")],
    )


@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize("found", [True, False])
@pytest.mark.parametrize("fabric", [LONG, "x", "W" * 80])
def test_nothing_is_cut_off_or_printed_over_the_edge(paper: str, found: bool, fabric: str) -> None:
    session = _seven(fabric)
    fit = StandInFit(session, make_results(session, 9, pending=1), found=found)
    pdf = card(fit, fabric, paper=paper, conditions=["Tried with (day, roll or lot): a, b and c."])
    page = pymupdf.open(stream=pdf)[0]
    safe = pymupdf.Rect(20, 20, page.rect.width - 20, page.rect.height - 20)
    spans = [
        span
        for block in page.get_text("dict")["blocks"]
        for line in block.get("lines", [])
        for span in line["spans"]
        if span["text"].strip()
    ]
    for span in spans:
        assert pymupdf.Rect(span["bbox"]) in safe, span["text"]
        assert span["size"] >= 4.9, span["text"]
    # The rows, the foot and the cautions stand one below the other.
    tops = [page.search_for(text)[0].y0 for text in ("Steps (common", "Valid for", "HOT:")]
    last_row = page.search_for("peel")[-1]
    assert last_row.y0 < page.rect.height
    assert tops[0] < tops[2]
    rows = [_boxes(page, span["bbox"]) for span in spans if span["bbox"][3] > tops[0] + 2]
    for one in rows:
        hits = sum(one.intersects(other) for other in rows)
        assert hits == 1, "text over text in the foot"


def _boxes(page: pymupdf.Page, box: tuple[float, float, float, float]) -> pymupdf.Rect:
    """The middle of a span's box: leading may touch, letters may not."""
    x0, y0, x1, y1 = box
    third = (y1 - y0) / 3
    return pymupdf.Rect(x0, y0 + third, x1, y1 - third)


def test_the_target_can_be_read_from_two_metres(fit: StandInFit) -> None:
    # Own rule: letters 1/300 of the distance, so 6.7 mm at 2 m; capitals of DejaVu are 0.73 em.
    page = pymupdf.open(stream=card(fit, "cotton jersey"))[0]
    sizes: dict[str, float] = {}
    for block in page.get_text("dict")["blocks"]:
        for line in block.get("lines", []):
            for span in line["spans"]:
                text = span["text"].replace("\u00a0", " ")
                sizes[text] = max(span["size"], sizes.get(text, 0))
    for text in ("160 °C", "125 °C", "15 s", "60 s", "medium"):
        assert sizes[text] * 0.73 * 25.4 / 72 >= 6.7, text


def test_it_prints_in_grey(fit: StandInFit) -> None:
    page = pymupdf.open(stream=card(fit, "polyester"))[0]
    pixels = page.get_pixmap(dpi=40, colorspace=pymupdf.csRGB)
    samples = pixels.samples
    # The renderer itself rounds a grey by up to 1 in a channel.
    channels = zip(samples[::3], samples[1::3], samples[2::3], strict=True)
    assert all(max(pixel) - min(pixel) <= 1 for pixel in channels)


def test_the_fonts_are_inside(fit: StandInFit) -> None:
    page = pymupdf.open(stream=card(fit, "cotton jersey"))[0]
    assert page.get_fonts()
    assert all(font[1] == "ttf" and "DejaVu" in font[3] for font in page.get_fonts())


def test_the_same_data_gives_the_same_bytes(fit: StandInFit) -> None:
    assert card(fit, "polyester") == card(fit, "polyester")


def test_the_words_of_the_rate_are_those_of_the_report(fit: StandInFit) -> None:
    finding = fabric_result(fit, "cotton jersey", maps=0)  # type: ignore[arg-type]
    text = words(card(fit, "cotton jersey"))
    assert out_of_text(finding.target.pass_rate) == finding.window.stated
    assert finding.window.stated in text
    assert rate_interval(finding)[1:].replace("\u00a0", " ") in text


@pytest.mark.parametrize(("inside", "what"), [(0, "window"), (3, "target")])
def test_before_a_press_at_the_target_the_cautious_end_leads(
    fit: StandInFit, inside: int, what: str
) -> None:
    finding = fabric_result(fit, "cotton jersey", maps=0)  # type: ignore[arg-type]
    window = replace(finding.window, presses_inside=inside, presses_at_target=0)
    far = replace(finding, window=window)
    text = words(settings_card(far, fit.session, NumberFormat("°C"), last_entry=WHEN))
    assert "Expect at least about 90 of 100 to pass" in text
    assert f"{inside} inside the window" in text and "97 of 100" not in text
    assert f"MAY STILL MOVE: {what} computed, not yet pressed" in text
    # Page, terminal and JSON say it in the same words.
    assert window.stated == "at least about 90 of 100"
    assert window.expectation.startswith(
        "At the target at least about 90 of 100 should pass, the cautious end of what is expected"
    )


def test_loads_that_no_graded_press_is_of_count_for_nothing() -> None:
    session = make_session(["cotton jersey"])
    results = make_results(session, 12)
    results.loc[results["oven_load"] == 2, ["peel", "wash"]] = np.nan
    finding = fabric_result(StandInFit(session, results), "cotton jersey", maps=0)  # type: ignore[arg-type]
    assert "in 1 oven load and 2 press rounds" in dict(summary([finding]))["Rests on"]


def test_what_the_shop_runs_too_hot_is_no_answer() -> None:
    """Today's setting past the limit is moved for plans; the page must not call that today's."""
    session = make_session([Fabric("polyester", 155, "°C")])
    fitted = StandInFit(session, make_results(session))
    finding = fabric_result(fitted, "polyester", maps=0)  # type: ignore[arg-type]
    stays = replace(finding, window=replace(finding.window, stay=True))
    assert usual_line(stays, session, NumberFormat("°F")) == (
        "Today's press temperature 320\u00a0°F may be too hot for this fabric on this press: do "
        "not press at it."
    )


def test_a_target_outside_the_proven_part_is_said(fit: StandInFit) -> None:
    window = fit.window("cotton jersey")
    assert window.target_in_core and "beside it" not in window.expectation
    name, at = next((n, v) for n, v in window.target.items() if not isinstance(v, str))
    aside = replace(window, core_low={**window.core_low, name: at + 1})
    assert not aside.target_in_core
    assert "; the proven part lies beside it" in aside.expectation


def test_without_a_window_no_page_claims_what_nothing_shows(fit: StandInFit) -> None:
    """Seven presses, 93 of 100 expected, 46 at the cautious end: the number in front is 46. Less
    than was asked claims nothing, and is what the reason names."""
    finding = fabric_result(fit, "cotton jersey", maps=0)  # type: ignore[arg-type]
    nothing = dict.fromkeys(("low", "high", "core_low", "core_high"))
    window = replace(
        finding.window, found=False, presses_at_target=0, pass_rate=0.93, pass_rate_low=0.46,
        **nothing,
    )  # fmt: skip
    card = settings_card(replace(finding, window=window), fit.session, NumberFormat("°C"))
    assert "There expect at least about 46 of 100 to pass" in words(card)
    assert "93 of 100" not in words(card)
    assert window.expectation == (
        "At the best settings known at least about 46 of 100 should pass, said with caution; not "
        "proven."
    )
    low = replace(window, pass_rate=0.07, pass_rate_low=0.001, confidence=0.01)
    assert low.stated == "about 7 of 100" and low.out_of_reach
    # What to press more of is not told to somebody who should first look what stands in the way.
    steps = next_steps(replace(finding, window=low), fit.session, NumberFormat("°C"))
    assert not any("next batch" in step for step in steps)
    assert dict(summary([replace(finding, window=low)]))["Next"] == (
        "First see to what stands in the way on cotton jersey."
    )


def test_the_target_counts_as_confirmed_press_by_press(fit: StandInFit) -> None:
    finding = fabric_result(fit, "cotton jersey", maps=0)  # type: ignore[arg-type]
    told = [
        confirmed_text(replace(finding, at_target=at))
        for at in (("passed",) * 3, ("passed", "waiting", "failed"))
    ]
    # Success run at .90/.90: 22 without a failure, 38 with one (tables of acceptance sampling).
    assert told == ["confirmed 3 of 22", "confirmed 2 of 38, 1 failed"]


def test_a_single_setting_and_an_edge_on_the_target(fit: StandInFit) -> None:
    finding = fabric_result(fit, "cotton jersey", maps=0)  # type: ignore[arg-type]
    window = finding.window
    only = {**window.target}
    pinned = replace(finding, window=replace(window, low=only, high=only))
    text = words(settings_card(pinned, fit.session, NumberFormat("°C"), last_entry=WHEN))
    assert "only 160 °C" in text
    assert "alone: 155 to 170 °C" in text
