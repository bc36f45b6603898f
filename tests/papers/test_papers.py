"""Every paper from one kept story: one page, both pitches named, nothing unescaped, nothing fetched."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from bothheads.errors import InputError
from bothheads.papers import html, kinds, pdf, sheet_of
from bothheads.papers.press import PAPER_MM, laid_out
from papers.story import kept

KINDS = sorted(kinds())


def test_eleven_papers() -> None:
    assert KINDS == ["changeover", "comparison", "condition", "engineer", "head-change", "inspection", "lesson", "order",
                     "passport", "recall", "show"]


@pytest.mark.parametrize("kind", KINDS)
def test_paper_is_one_whole_page_of_html(kind: str) -> None:
    page = html(sheet_of(kind, kept(compare=True)))
    assert "Dance-hall &lt;bass&gt; &amp; drum" in page
    assert "<bass>" not in page
    assert not re.search(r"https?://(?!www\.w3\.org/)", page)
    assert "None" not in page
    assert "nan" not in re.sub(r"base64,[^\"]*", "", page).lower().split()


@pytest.mark.parametrize("kind", KINDS)
def test_paper_prints_on_one_sheet(kind: str) -> None:
    sheet = sheet_of(kind, kept(compare=True))
    assert pdf(sheet).startswith(b"%PDF")
    assert len(laid_out(sheet)[0].pages) == 1


def test_what_wide_fonts_push_off_the_sheet_is_printed_smaller_on_paper_of_its_size() -> None:
    sheet = sheet_of("recall", kept(compare=True))
    grown = replace(sheet, foot=sheet.foot + ("One more line of what is to be known of this drum.",) * 4)
    document, zoom = laid_out(grown)
    assert zoom < 1.0 and len(document.pages) == 1
    page = document.pages[0]
    assert [zoom * page.width * 25.4 / 96, zoom * page.height * 25.4 / 96] == pytest.approx(PAPER_MM["A5"], rel=1e-3)
    endless = replace(sheet, foot=sheet.foot * 60)
    document, zoom = laid_out(endless)
    assert zoom == 1.0 and len(document.pages) > 1


def test_a_comparison_needs_two_states() -> None:
    with pytest.raises(InputError, match="needs a second state"):
        sheet_of("comparison", kept())


def test_unknown_paper_names_the_known_ones() -> None:
    with pytest.raises(InputError, match="choose one of changeover, comparison"):
        sheet_of("poster", kept())


def test_recall_card_says_which_pitch_how_sure_struck_and_heard_where() -> None:
    page = html(sheet_of("recall", kept()))
    for words in ("Drum note, both heads free", "two standard errors", "off the batter", "seat (0, 0.45, -0.45 m)",
                  "head pitch, other head held still", "rod pitch, mean", "tilt cannot be heard", "1/4 tighter",
                  "rod 3 1/8 looser"):
        assert words in page, words


def test_sounds_travel_inside_the_file() -> None:
    page = html(sheet_of("comparison", kept(compare=True)))
    assert page.count("data:audio/wav;base64,") == 2
