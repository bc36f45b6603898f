"""Maps on paper: contours lie where the values are, every line has its figure, words say the same."""

from __future__ import annotations

import re
from math import hypot
from xml.etree import ElementTree

import numpy as np
import pytest

from bothheads.papers.maps import caption, contour, digits, fine, levels_of, map_svg, names_of, sheet
from bothheads.papers.press import html
from bothheads.plan.maps import Maps

DIAMETERS, DEPTHS = tuple(range(16, 27, 2)), tuple(range(10, 21, 2))
GRID = np.meshgrid(np.array(DIAMETERS, float), np.array(DEPTHS, float))
MAPS = Maps("bass", "note", 50.0, 10.0, DIAMETERS, DEPTHS,
            {"note": np.full((6, 6), 50.0), "tension": 40.0 * GRID[0] + 5.0 * GRID[1], "tail": 1.0 + 0.01 * (GRID[0] - 21) ** 2},
            np.zeros((6, 6), bool), GRID[0] > 25)


def test_a_contour_lies_where_the_value_is() -> None:
    x, y = np.linspace(-2, 2, 81), np.linspace(-2, 2, 81)
    circle = contour(x, y, np.add.outer(y**2, x**2), 1.5)
    assert len(circle) == 1 and circle[0][0] == circle[0][-1]  # closed
    assert max(abs(hypot(*p) - 1.5**0.5) for p in circle[0]) < 2e-3
    saddle = contour(x, y, np.multiply.outer(y, x), 0.3)
    assert len(saddle) == 2 and all(abs(a * b - 0.3) < 5e-3 for line in saddle for a, b in line)


def test_a_saddle_cell_joins_the_corners_that_its_middle_belongs_to() -> None:
    square = np.array([0.0, 1.0])
    for values, joined in (([[1.0, 0.0], [0.0, 1.0]], 0.4), ([[1.0, 0.0], [0.0, 1.0]], 0.6)):
        lines = contour(square, square, np.array(values), joined)
        assert len(lines) == 2
        high = (0.1, 0.1)  # near a high corner; below 0.5 the high corners are one piece, so no line may cut the diagonal
        cuts = [abs((a[0] + b[0]) / 2 - (a[1] + b[1]) / 2) < 0.2 for a, b in lines]
        assert any(cuts) == (joined > 0.5), (high, lines)


def test_levels_are_round_and_inside() -> None:
    levels = levels_of(MAPS.values["tension"])
    assert 4 <= len(levels) <= 10
    assert all(v % 50 == 0 for v in levels)
    assert MAPS.values["tension"].min() < levels[0] and levels[-1] < MAPS.values["tension"].max()
    assert levels_of(np.full((3, 3), 2.0)) == []


def test_splines_go_through_the_solved_sizes() -> None:
    xs, ys, values = fine(MAPS, "tail")
    assert values[::12, ::12] == pytest.approx(MAPS.values["tail"])
    assert len(xs) == 61 and len(ys) == 61


def test_every_line_has_its_figure_and_every_mark_its_word() -> None:
    assert names_of(MAPS) == ("tension", "tail")
    svg = map_svg(MAPS, "tension")
    root = ElementTree.fromstring(svg)
    said = [t.text for t in root.iter("{http://www.w3.org/2000/svg}text")]
    for level in levels_of(fine(MAPS, "tension")[2]):
        assert f"{level:g}" in said
    assert digits(MAPS.at("tension", 22, 16)) in said
    assert said.count("×") == 6  # one a size above its working stress
    assert not re.search(r"(hsl|rgb)\(", svg)


def test_the_words_say_the_same() -> None:
    words = caption(MAPS, "tension")
    assert "Least 690 N/m at 16 x 10 in, most 1140 N/m at 26 x 20 in" in words
    assert "22 x 16: 960 N/m" in words and "working stress" in words and "creases" not in words
    page = html(sheet(MAPS))
    assert words in page and page.count("<svg") == 2 and "losses assumed" in page
