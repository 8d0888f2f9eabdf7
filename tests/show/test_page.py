"""The report as a page: its structure, its words, and that it keeps to itself."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from dtfexp import Session
from dtfexp.show.report.report import MANIFEST, write_papers
from dtfexp.show.text.cautions import CAUTIONS
from tests.show.conftest import WHEN, StandInFit, make_results, make_session

PLANS = pd.DataFrame(
    {
        "design": ["auto", "next"],
        "presses": [8, 4],
        "seed": [11, 12],
        "reason": ["A first look.", "Where the edges are."],
        "notes": [("Pairs stay open.",), ("Pairs stay open.", "Lots are not told apart.")],
    }
)


class Outline(HTMLParser):
    """Headings in order, ids, links, tags, and the text of the page."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.headings: list[tuple[int, str]] = []
        self.ids: list[str] = []
        self.addresses: list[str] = []
        self.tags: list[str] = []
        self.text: list[str] = []
        self.labelled: list[str] = []
        self._open: list[str] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self._open.append(tag)
        if re.fullmatch("h[1-6]", tag):
            self.headings.append((int(tag[1]), ""))
        for name, value in attrs:
            if name == "id":
                self.ids.append(value or "")
            if name in ("src", "href", "xlink:href", "srcset", "action", "data"):
                self.addresses.append(value or "")
            if name in ("aria-labelledby", "aria-describedby"):
                self.labelled += (value or "").split()

    def handle_endtag(self, tag: str) -> None:
        while self._open and self._open.pop() != tag:
            pass

    def handle_data(self, data: str) -> None:
        if self._open and re.fullmatch("h[1-6]", self._open[-1]):
            level, before = self.headings[-1]
            self.headings[-1] = (level, before + data)
        if "style" not in self._open:
            self.text.append(data)

    @property
    def words(self) -> str:
        return " ".join("".join(self.text).replace("\u00a0", " ").split())


def page(fit: StandInFit, tmp_path: Path, **options: object) -> str:
    fabrics = [f.name for f in fit.session.fabrics]
    options = {"fabrics": fabrics, "plans": PLANS, "last_entry": WHEN, **options}
    written = write_papers(fit, tmp_path, **options)  # type: ignore[arg-type]
    assert written[0] == tmp_path / "report.html"
    return written[0].read_text("utf-8")


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The page of the plain case, drawn once for all who only read it."""
    session = make_session()
    fit = StandInFit(session, make_results(session))
    return page(fit, tmp_path_factory.mktemp("page"))


def test_headings_step_down_one_at_a_time_and_links_lead_somewhere(written: str) -> None:
    outline = Outline(written)
    levels = [level for level, _ in outline.headings]
    assert levels[0] == 1 and levels.count(1) == 1
    assert all(b - a <= 1 for a, b in pairwise(levels))
    assert len(set(outline.ids)) == len(outline.ids)
    local = [address[1:] for address in outline.addresses if address.startswith("#")]
    assert set(local) <= set(outline.ids)
    assert set(outline.labelled) <= set(outline.ids)
    names = [text for _, text in outline.headings]
    for text in ("In short", "cotton jersey", "polyester", "Grading guide", "Method", "Data"):
        assert text in names


def test_the_page_asks_for_nothing_from_outside(written: str) -> None:
    html = written
    outline = Outline(html)
    assert all(address.startswith("#") for address in outline.addresses)
    assert not {"script", "link", "iframe", "object", "embed", "img", "form"} & set(outline.tags)
    assert "url(" not in re.sub(r"url\(#[\w.-]+\)", "", html)
    assert "@import" not in html
    assert "default-src 'none'" in html


def test_the_summary_comes_first_and_has_three_lines(written: str) -> None:
    html = written
    first = html[html.index('id="summary"') : html.index('id="fabric-1"')]
    assert first.count("<dt>") == 3
    assert first.count("<dd>") == 3
    assert "A window was found for cotton jersey and polyester." in first


def test_without_a_window_it_is_the_first_thing_said(no_window: StandInFit, tmp_path: Path) -> None:
    outline = Outline(page(no_window, tmp_path))
    after = outline.words.split("Result", 1)[1]
    assert after.startswith("No window is found yet for cotton jersey and polyester: do not sell")
    assert outline.words.count("Not proven: do not sell with these settings yet.") == 2
    assert "Best settings known, not proven" in outline.words
    assert "What stops each edge" not in outline.words
    assert "Best known, no window" in outline.words and "What to set" not in outline.words


def test_missing_grades_are_said_first_too(session: Session, tmp_path: Path) -> None:
    fit = StandInFit(session, make_results(session, 20, pending=3))
    words = Outline(page(fit, tmp_path)).words
    assert "3 presses still wait for grades, so this may move." in words
    assert "Record the missing grades of presses 18 and 20" in words
    assert "Record the missing grades of press 19" in words


def test_no_press_at_all(session: Session, tmp_path: Path) -> None:
    fit = StandInFit(session, make_results(session, 0), found=False)
    empty = PLANS.iloc[:0]
    outline = Outline(page(fit, tmp_path, plans=empty, last_entry=None))
    assert "No entry in the logbook yet." in outline.words
    assert "Nothing is graded yet" in outline.words
    assert "No press of this fabric is planned yet." in outline.words
    assert "No plan is in the logbook yet." in outline.words
    assert "there is no luck and no prediction to show" in outline.words


def test_everything_a_person_asks_for_is_there(written: str) -> None:
    outline = Outline(written)
    words = outline.words
    for text in CAUTIONS:
        assert " ".join(text.split()) in words
    for text in (
        "125 °C (257 °F)",
        "120 to 135 °C",
        "only 125 °C",
        "Wilson intervals at 90 %",
        "heat limit of the fabric",
        "Press 22 at the target",  # success run at 0.90 and 0.90
        "Chu and Ghahramani",
        "Peterson",
        "Judged after 5 washes.",
        "A first look.",
        "11, 12",
        "card-cotton-jersey.pdf",
    ):
        assert text in words, text
    # What a plan could not show before it was pressed is stale in a report.
    assert "Pairs stay open." not in words
    # 6 settings, 3 of the 6 pairs of numbers and the bars, for each of the two fabrics; one of the
    # fabrics side by side.
    assert len([t for t in outline.tags if t == "title"]) == 1 + 2 * (6 + 3 + 1) + 1


def test_no_sentence_stands_twice(written: str) -> None:
    """Sentences of five words and more, tables and drawings apart; what is said of a fabric may
    be true of the next one too."""
    page = re.sub("<style.*?</style>|<svg.*?</svg>|<table.*?</table>", "", written, flags=re.S)
    page = re.sub(r"</(?:p|li|dd|dt|h[1-4]|summary|figcaption|strong)>", "\n", page)
    first, *fabrics = page.split('<section class="fabric"')
    for fabric in fabrics:
        own = fabric.split("</section>")[0]
        text = re.sub("<[^>]+>", " ", first + own).replace("&nbsp;", " ")
        found = [" ".join(one.split()) for one in re.split(r"[.;:]\s|\n", text)]
        long = [one for one in found if len(one.split()) >= 5]
        assert sorted({one for one in long if long.count(one) > 1}) == []


def test_what_the_fit_understood_is_told_with_its_numbers(written: str) -> None:
    words = " ".join(re.sub("<[^>]+>", " ", written).replace("\u00a0", " ").split())
    for text in (
        "Oven load 2 (all fabrics) came out about 0.9 grades worse than its settings explain.",
        "2 of 4 counts lie in the predicted interval. One in twenty may lie outside by chance",
        "peel 5 9 3.2 1 to 6 more than predicted",
        "peel 4 3 3.2 1 to 6 as predicted",
        "7 peel 1 5 1 % worse than predicted",
    ):
        assert text in words, text
    sections = written.split('<section class="fabric"')[1:]
    assert ["Surprising grades of" in part for part in sections] == [True, False]


def test_every_press_stands_in_the_table_of_its_fabric(written: str, fit: StandInFit) -> None:
    html = written
    sections = html.split('<section class="fabric"')[1:]
    for section, fabric in zip(sections, fit.session.fabrics, strict=True):
        mine = fit.results[fit.results["fabric"] == fabric.name]
        table = section[section.index("Presses of ") :].split("<tbody>")[1].split("</tbody>")[0]
        numbers = re.findall(r'<th scope="row" class="number">(\d+)</th>', table)
        assert [int(n) for n in numbers] == mine["press"].tolist()


def test_a_surprise_is_one_thing_everywhere(fit: StandInFit, tmp_path: Path) -> None:
    """What the fit calls a surprise, and nothing else: in the table of presses, in the table of
    surprises, among the next steps, and for its own fabric only."""
    html = page(fit, tmp_path)
    (press,) = fit.surprises()["press"]
    first, second = html.split('<section class="fabric"')[1:]
    assert re.findall(r'number">(\d+)</th>.*(?:passed|failed), a surprise<', first) == [str(press)]
    assert f"Check press {press}, a surprise" in first
    odd = first[first.index("Surprising grades of cotton jersey") :].split("</table>")[0]
    assert re.findall(r'class="number">(\d+)</th>', odd) == [str(press)]
    assert ", a surprise<" not in second and "Check press" not in second


def test_the_unit_reaches_every_temperature(fit: StandInFit, tmp_path: Path) -> None:
    html = page(fit, tmp_path, unit="°F")
    words = Outline(html).words
    assert "Temperatures in °F." in words
    # °C is left only in brackets beside a target and in the ± never.
    found = re.findall(r"\(?\d+ °C\)?", words)
    assert found and all(text.startswith("(") and text.endswith(")") for text in found)
    assert "press temperature (°F)" in words
    assert "329 °F" in words  # the heat limit, 165 °C


def test_hostile_names_stay_text(tmp_path: Path) -> None:
    bad = '<script>alert("x")</script>'
    session = make_session([bad, "../../etc/passwd", "con|nul: *?"], name="<img src=x onerror=1>")
    results = make_results(session, 9)
    results["note"] = ["<b>bold</b> & {{ 7 * 7 }}"] * 9
    html = page(StandInFit(session, results), tmp_path)
    outline = Outline(html)
    assert not {"script", "img", "b"} & set(outline.tags)
    assert bad in outline.words
    assert "{{ 7 * 7 }}" in outline.words and "49" not in outline.words.split("{{ 7")[1][:20]
    names = sorted(path.name for path in tmp_path.iterdir())
    assert names == [
        MANIFEST,
        "card-con-nul.pdf",
        "card-etc-passwd.pdf",
        "card-script-alert-x-script.pdf",
        "report.html",
        "windows.csv",
        "windows.json",
    ]


def test_pass_or_fail_measured_and_reached_values_are_shown(tmp_path: Path) -> None:
    from dtfexp import Factor, Outcome
    from dtfexp.dialin.encode.results import check_results

    session = Session(
        "mixed",
        [Factor("heat", 140, 180, "°C", 5, usual=160), Factor("dwell", 5, 25, "s", usual=15)],
        [
            Outcome("hold", kind="passfail"),
            Outcome("force", 0, 40, 20, kind="measured", unit="N"),
            Outcome("grey", step=0.5),
        ],
        ["cotton"],
    )
    frame = pd.DataFrame(
        {
            "press": [1, 2],
            "heat": [160, 170],
            "dwell": [15, 15],
            "hold": [1, 0],
            "force": [31.25, np.nan],
            "grey": [4.5, 3],
            "heat_actual": [157.5, np.nan],
            "block": ["roll 3", ""],
            "excluded": [False, True],
            "note": ["", "fell on the floor"],
        }
    )
    fit = StandInFit(session, check_results(session, frame))
    html = page(fit, tmp_path)
    words = Outline(html).words
    for text in ("31.25 N", "4.5", "157.5", "roll 3", "left out", "heat (°C), reached"):
        assert text in words, text
    assert "Left out of the fit: press 2 (fell on the floor)." in words
    assert re.search(r'<td class="number">pass</td>', html)
    assert "in steps of 0.5" in words
