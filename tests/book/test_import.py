"""Sheets coming in: read however they were saved and spelt, and as often as they come."""

from __future__ import annotations

import io
from datetime import date
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from dtfexp import Logbook, ResultsError
from tests.dialin.test_results import SAYS_NO, SAYS_NOTHING, SAYS_YES

# The plan of conftest: press 1 is cotton jersey, load 1, round 1, 60 s, 325 °F, hot.


def value(book: Logbook, press: int, column: str) -> Any:
    return book.results().set_index("press").loc[press, column]


def test_a_plain_sheet(book: Logbook, take) -> None:
    taken = take("press,peel,wash,note\n2,4,3.5,\n1,5,,\n", "plain.csv")
    assert (taken.rows, taken.added, taken.unchanged, taken.spoiled) == (2, 2, 0, 0)
    assert taken.remarks == ()
    assert [value(book, 1, "peel"), value(book, 2, "wash")] == [5, 3.5]
    assert book.results()["wash"].isna().sum() == 7
    entry = book.history(2).iloc[0]
    assert (entry["source"], entry["by"]) == ("sheet", "Ana")


def test_import_results_returns_the_rows_and_warns_of_what_was_left_out(book, tmp_path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("press,peel,mood\n1,4,sunny\n2,,\n")
    with pytest.warns(UserWarning, match="left out: 'mood'"):
        assert book.import_results(path) == 2
    assert len(book.history()) == 1


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
def test_every_common_way_of_saving_text(book, take, delimiter, encoding, line_end) -> None:
    rows = [
        ["press", "press temperature_actual (°F)", "peel", "note"],
        ["3", '"317,5"', "4", '"café, ""fine""; 5 °F"'],
        ["", "", "", ""],
    ]
    text = line_end.join(delimiter.join(row) for row in rows) + line_end * 2
    taken = take(text.encode(encoding))
    assert value(book, 3, "press temperature_actual") == 317.5
    assert value(book, 3, "note") == 'café, "fine"; 5 °F'
    assert bool(taken.remarks) == (encoding == "cp1252")


def test_a_first_line_that_names_the_delimiter(book: Logbook, take) -> None:
    take("sep=;\r\npress;peel\r\n4;2\r\n")
    assert value(book, 4, "peel") == 2


def test_title_rows_above_the_headings(book: Logbook, take) -> None:
    take("Shirts of May\n\nby Ana\npress,peel\n4,2\n")
    assert value(book, 4, "peel") == 2


@pytest.mark.parametrize(
    "heading",
    [
        "press temperature_actual",
        "Press Temperature Actual",
        "press_temperature_actual",
        "PRESS  TEMPERATURE_ACTUAL (°F)",
        "press temperature actual [F]",
        "press temperature (degF)_actual",
        " press-temperature actual ",
    ],
)
def test_headings_in_any_dress(book: Logbook, take, heading: str) -> None:
    taken = take(f"Press No.,{heading},PEEL (1-5)\n4,311,2\n")
    assert taken.remarks == ()
    assert value(book, 4, "press temperature_actual") == 311
    assert value(book, 4, "peel") == 2


def test_a_heading_in_another_unit_converts(book: Logbook, take) -> None:
    take(
        "press,press temperature (°C),press temperature_actual (°C),cure time_actual (min),"
        "colour change (ΔE)\n1,163,160,1.5,2\n2,160,320 F,90 s,\n"
    )
    assert value(book, 1, "press temperature_actual") == 320
    assert value(book, 2, "press temperature_actual") == 320
    assert value(book, 1, "cure time_actual") == value(book, 2, "cure time_actual") == 90


def test_readings_with_their_own_unit(book: Logbook, take) -> None:
    take(
        "press;press temperature_actual;cure time_actual;peel wait_actual\n"
        "1;305 F;62 s;\n2;305,5;1,5 min;Warm\n3;160 °C;62sec;\n4;305°F;62;COLD\n"
    )
    found = book.results().set_index("press")
    assert found["press temperature_actual"].tolist()[:4] == [305, 305.5, 320, 305]
    assert found["cure time_actual"].tolist()[:4] == [62, 90, 62, 62]
    assert found["peel wait_actual"].tolist()[1:4:2] == ["warm", "cold"]


def test_blank_means_not_known_yet(book: Logbook, take) -> None:
    take("press,peel,wash\n1,4,\n2,n/a,-\n3,  ,?\n")
    assert book.results()["peel"].notna().sum() == 1
    assert book.results()["wash"].isna().all()
    assert len(book.history()) == 1


def test_a_blank_never_takes_a_grade_back(book: Logbook, take) -> None:
    book.record(1, {"peel": 4})
    take("press,peel,wash\n1,,5\n")
    assert value(book, 1, "peel") == 4


def test_settings_that_agree_with_the_plan(book: Logbook, take) -> None:
    taken = take(
        "press,fabric,oven_load,press_round,press temperature,cure time,peel wait,peel\n"
        "1,Cotton Jersey,1,1,325 F,60,HOT,4\n2,,,,160 C,65.0,warm,4\n3,,,,,,,4\n"
    )
    assert taken.added == 3


def test_who_pressed_it(book: Logbook, take) -> None:
    take("press,peel,by\n1,4,Ben\n2,5,\n")
    assert book.history()["by"].tolist() == ["Ben", "Ana"]


def test_block_defects_and_exclusion(book: Logbook, take) -> None:
    take(
        "press,peel,block,defects,excluded,excluded reason\n"
        "1,4,roll 2,haze; lifted corner,,\n2,4,3,,yes,powder too old\n3,4,,,wrong film,\n"
        "4,4,,,no,\n5,4,,,x,\n"
    )
    found = book.results().set_index("press")
    assert found["excluded"].tolist() == [False, True, True, False, True, False, False, False]
    assert found.loc[1, "defects"] == "haze; lifted corner"
    assert found["block"].tolist()[:3] == ["roll 2", "3", ""]
    reasons = book.history()["excluded"].tolist()
    assert reasons == [
        "",
        "powder too old",
        "wrong film",
        "",
        "marked in the sheet, no reason given",
    ]


@pytest.mark.parametrize("word", SAYS_NOTHING + SAYS_NO + SAYS_YES)
def test_a_sheet_reads_yes_and_no_as_a_frame_does(book: Logbook, take, word: str) -> None:
    take(f'press,peel,excluded\n1,4,"{word}"\n')
    assert value(book, 1, "excluded") == (word in SAYS_YES)


def test_a_word_that_is_no_reason_is_refused(book: Logbook, take) -> None:
    with pytest.raises(ResultsError, match="got 'nie'; accepted yes or no"):
        take("press,peel,excluded\n1,4,nie\n")


def test_a_sheet_can_take_a_press_back_in(book: Logbook, take) -> None:
    take("press,peel,excluded\n1,4,wrong film\n")
    take("press,peel,excluded\n1,4,no\n")
    assert not value(book, 1, "excluded")


def test_a_workbook(book: Logbook, take) -> None:
    taken = take(
        [
            ["Press list"],
            [],
            ["press", "press temperature_actual", "peel", "note", "block"],
            [1, 318.5, 4, "fine", 7],
            [2.0, "305 F", "5", date(2026, 5, 1), None],
            [],
            [3, None, None, True, 2.5],
        ]
    )
    assert taken.rows == 3
    found = book.results().set_index("press")
    assert found["press temperature_actual"].tolist()[:2] == [318.5, 305]
    assert found["peel"].tolist()[:2] == [4, 5]
    assert found["note"].tolist()[:3] == ["fine", "2026-05-01T00:00:00", "yes"]
    assert found["block"].tolist()[:3] == ["7", "", "2.5"]


def test_the_right_sheet_of_a_workbook_is_found(book: Logbook, tmp_path: Path) -> None:
    workbook = openpyxl.Workbook()
    workbook.active.append(["shopping", "=1+1"])
    results = workbook.create_sheet("May")
    results.append(["press", "peel"])
    results.append([1, 4])
    workbook.save(tmp_path / "a.xlsx")
    assert book.import_results(tmp_path / "a.xlsx") == 1


def test_what_the_bytes_are_decides(book: Logbook, take, tmp_path: Path) -> None:
    workbook = openpyxl.Workbook()
    workbook.active.append(["press", "peel"])
    workbook.active.append([1, 4])
    out = io.BytesIO()
    workbook.save(out)
    take(out.getvalue(), "really_a_workbook.csv")
    take("press,peel\n2,4\n", "text.txt")
    assert book.results()["peel"].notna().sum() == 2


def test_a_formula_in_a_column_that_is_not_read_is_no_matter(book: Logbook, take) -> None:
    take([["press", "peel", "mean of peels"], [1, 4, "=AVERAGE(B2:B3)"]])
    assert value(book, 1, "peel") == 4


def test_a_temperature_that_only_the_other_unit_explains_is_asked_about(book, take, tmp_path):
    text = "press,press temperature_actual,peel\n1,160,4\n2,161 F,4\n3,312,4\n4,163 C,4\n"
    with pytest.raises(ResultsError) as caught:
        take(text)
    told = str(caught.value)
    assert "row 2, column 'press temperature_actual': 160 °F? Set is 325 °F." in told
    assert "Did you mean 160 °C = 320 °F?" in told
    assert "row 3" in told and "row 4" not in told and "row 5" not in told
    assert not len(book.history())
    book.import_sheet(tmp_path / "shop.csv", accept=True)
    assert value(book, 1, "press temperature_actual") == 160


# Again and again


def test_the_same_sheet_again_adds_nothing(book: Logbook, take) -> None:
    text = "press,peel,note\n1,4,a\n2,5,\n"
    take(text)
    again = take(text)
    assert (again.rows, again.added, again.unchanged, again.remarks) == (2, 0, 2, ())
    assert take("press,note,peel\n2,,5.0\n1,a,4\n", "other.csv").added == 0
    assert len(book.history()) == 2


def test_wash_grades_days_later_add_only_themselves(book: Logbook, take) -> None:
    take("press,peel,wash\n1,4,\n2,5,\n")
    assert take("press,peel,wash\n1,4,3\n2,5,\n").added == 1
    assert book.history(1)["peel"].isna().tolist() == [False, True]
    assert value(book, 1, "wash") == 3


def test_a_changed_grade_is_a_correction(book: Logbook, take) -> None:
    take("press,peel\n1,4\n")
    take("press,peel\n1,3\n")
    assert value(book, 1, "peel") == 3
    take("press,peel\n1,4\n")
    assert value(book, 1, "peel") == 4
    assert book.history(1)["peel"].tolist() == [4, 3, 4]


def test_an_old_sheet_does_not_undo_a_correction_made_at_the_bench(book, take) -> None:
    take("press,peel\n1,4\n2,4\n")
    book.record(1, {"peel": 2}, by="Ben")
    again = take("press,peel\n1,4\n2,4\n")
    assert again.added == 0
    assert value(book, 1, "peel") == 2
    (remark,) = again.remarks
    assert "row 2, column 'peel'" in remark
    assert "the book was told 2 since and keeps that" in remark


def test_what_a_sheet_replaces_of_the_bench_is_told(book, take) -> None:
    book.record(1, {"peel": 4}, by="Ben")
    book.record(2, {"peel": 4}, note="fine", by="Ben")
    taken = take("press,peel,note\n1,2,\n2,4,torn\n3,5,new\n")
    (remark,) = taken.remarks
    assert remark.endswith(
        "what was recorded before is replaced, the history keeps both: row 2, column 'peel', "
        "press 1: 4 is now 2; row 3, column 'note', press 2: 'fine' is now 'torn'"
    )
    # A sheet that corrects itself is no surprise.
    assert take("press,peel\n3,4\n").remarks == ()


def test_an_exported_sheet_knows_how_old_it_is(book: Logbook, take, tmp_path: Path) -> None:
    book.record(1, {"peel": 4})
    book.record(2, {"peel": 4})
    book.export(tmp_path / "out")
    book.record(1, {"peel": 2}, by="Ben")
    sheet = (tmp_path / "out" / "results.csv").read_text(encoding="utf-8-sig")
    rows = sheet.splitlines()
    assert rows[2].startswith("2,nylon shell")
    rows[2] = rows[2].replace(",4,,,,,", ",4,5,,,,", 1)
    taken = take("\n".join(rows))
    assert taken.added == 1
    assert value(book, 1, "peel") == 2, "the sheet never said that 4 is right again"
    assert value(book, 2, "wash") == 5
    assert len(taken.remarks) == 1
    # Taken back to what the book held when the sheet was written: that is a correction.
    assert rows[2].count(",4,5,") == 1
    rows[2] = rows[2].replace(",4,5,", ",3,5,")
    assert take("\n".join(rows)).added == 1
    rows[2] = rows[2].replace(",3,5,", ",4,5,")
    assert take("\n".join(rows)).added == 1
    assert book.history(2)["peel"].dropna().tolist() == [4, 3, 4]


def test_an_exported_sheet_can_say_again_what_an_earlier_sheet_said(book, take, tmp_path) -> None:
    take("press,peel\n1,4\n")
    book.record(1, {"peel": 2})
    book.export(tmp_path / "out")
    sheet = (tmp_path / "out" / "results.csv").read_text(encoding="utf-8-sig")
    assert sheet.count(",hot,2,") == 1
    assert take(sheet.replace(",hot,2,", ",hot,4,")).added == 1
    assert value(book, 1, "peel") == 4


def test_a_press_done_twice(book: Logbook, take) -> None:
    text = "press,peel,wash,spoiled\n3,1,,film slipped\n3,5,4,\n4,4,,\n"
    taken = take(text)
    assert (taken.rows, taken.added, taken.spoiled) == (3, 3, 1)
    assert value(book, 3, "peel") == 5
    assert not value(book, 3, "excluded")
    history = book.history(3)
    assert history["kind"].tolist() == ["spoiled", "record"]
    assert history["peel"].tolist() == [1, 5]
    assert history["excluded"].tolist() == ["film slipped", ""]
    assert take(text).added == 0


def test_a_second_go_does_not_inherit_from_the_first(book: Logbook, take) -> None:
    take("press,peel,wash,note\n3,2,3,odd\n")
    take("press,peel,wash,note,spoiled\n3,2,3,odd,powder was old\n3,5,,,\n")
    found = book.results().set_index("press").loc[3]
    assert found["peel"] == 5
    assert found["wash"] != found["wash"], "the wash grade of the spoiled coupon is left behind"
    assert found["note"] == ""
    assert book.history(3)["kind"].tolist() == ["record", "spoiled", "record"]


def test_a_press_spoiled_every_time_is_excluded(book: Logbook, take) -> None:
    taken = take("press,peel,excluded\n3,1,slipped\n3,2,slipped again\n")
    assert taken.spoiled == 1
    assert value(book, 3, "excluded")
    assert value(book, 3, "peel") == 2


def test_defects_that_name_no_known_sign_are_kept_and_told(book: Logbook, take) -> None:
    taken = take("press,peel,defects\n1,3,bubbles; sneezes\n")
    assert book.results().set_index("press").loc[1, "defects"] == "bubbles; sneezes"
    (remark,) = taken.remarks
    assert "kept as written" in remark and "not understood: 'sneezes'" in remark
