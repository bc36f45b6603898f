"""The file of a sweep: what it may say, and one sentence for what it may not."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from bothheads.errors import InputError
from bothheads.runs.axes import draw_of, grid_values
from bothheads.runs.design import Design
from evidence import assert_canary, assert_published
from sweeps_small import BASS, SMALL, parsed

INLINE = """
[drum]
diameter_in = 22
depth_in = 16
[drum.batter]
film_mil = 10
tension = 600
"""


def test_a_grid_is_every_combination() -> None:
    spec = parsed(INLINE + "[grid]\ndepth_in = [14, 16, 18]\nbatter.tension = {from = 400, to = 800, step = 100}\n")
    assert spec.points == 15
    chunks = list(Design(spec).chunks())
    pairs = {(d["depth_in"], d["batter.tension"]) for c in chunks for d in map(c.changes, range(len(c)))}
    assert pairs == {(d, t) for d in (14, 16, 18) for t in (400.0, 500.0, 600.0, 700.0, 800.0)}


def test_log_spacing_and_counts() -> None:
    assert grid_values("k", {"from": 100, "to": 1600, "count": 5, "spacing": "log"}) == (100, 200, 400, 800, 1600)
    assert grid_values("k", {"from": 1, "to": 2, "count": 3}) == (1.0, 1.5, 2.0)
    assert grid_values("k", "text") == ("text",)


def check_draws() -> None:
    """Means and spreads of 40,000 draws against the distributions' own."""
    n = 40_000
    cases = {
        "uniform": ({"from": 2, "to": 6}, 4.0, 4 / np.sqrt(12)),
        "log-uniform": ({"from": 1, "to": np.e**2, "distribution": "log-uniform"}, (np.e**2 - 1) / 2, None),
        "normal": ({"distribution": "normal", "mean": 5, "sd": 2}, 5.0, 2.0),
        "log-normal": ({"distribution": "log-normal", "mean": 5, "factor": np.e**0.1}, 5 * np.exp(0.005), None),
    }
    for name, (given, mean, sd) in cases.items():
        x = np.asarray(draw_of(name, given).sample(7, n), dtype=float)
        assert_published(x.mean(), mean, 5 * x.std() / np.sqrt(n), source=f"mean of the {name} law", kind="closed form")
        if sd is not None:
            assert_published(x.std(), sd, 5 * sd / np.sqrt(2 * n), source=f"spread of the {name} law", kind="closed form")


def test_draws_follow_their_law() -> None:
    check_draws()
    assert_canary(check_draws)


def test_draws_do_not_depend_on_what_else_is_drawn() -> None:
    one = draw_of("batter.tension", {"from": 1, "to": 2}).sample(3, 10)
    spec = parsed(SMALL.replace("count = 12", "count = 5\nresonant.resistance = {from = 1, to = 9}"))
    assert np.allclose(one, draw_of("batter.tension", {"from": 1, "to": 2}).sample(3, 20)[:10])
    assert Design(spec).drawn["resonant.resistance"].min() >= 1


def test_steps_and_limits_are_kept() -> None:
    x = np.asarray(draw_of("k", {"distribution": "normal", "mean": 20, "sd": 5, "from": 18, "to": 24, "step": 0.5}).sample(1, 500))
    assert set(np.unique(x * 2 % 1)) == {0.0}
    assert x.min() == 18 and x.max() == 24


def test_times_multiplies_another_key() -> None:
    design = Design(parsed(SMALL))
    ratio = np.asarray(design.drawn["resonant.tension"]) / np.asarray(design.drawn["batter.tension"])
    assert 0.7 <= ratio.min() < 0.85 and 1.2 < ratio.max() <= 1.4
    own = Design(parsed(INLINE + "[random]\ncount = 20\nbatter.resistance = {from = 1, to = 2, times = 'batter.tension'}\n"))
    assert np.asarray(own.drawn["batter.resistance"]).min() >= 600


def test_the_hash_holds_what_decides_the_rows_and_nothing_else() -> None:
    spec = parsed(SMALL)
    assert spec.sha256 == parsed(SMALL + "\n# a remark\n").sha256
    for old, new in (("count = 12", "count = 13"), ("seed = 4", "seed = 5"), ("0.3", "0.31"), ("partials = 4", "partials = 5"),
                     ("[20, 22]", "[20, 24]")):
        assert spec.sha256 != parsed(SMALL.replace(old, new)).sha256
    assert spec.sha256 != parsed(SMALL, BASS.with_head("batter", tension=601.0)).sha256


def test_every_point_is_there_once_and_like_shapes_stand_together() -> None:
    design = Design(parsed(SMALL))
    chunks = list(design.chunks())
    assert sorted(d for c in chunks for d in c.designs) == list(range(24))
    sizes = [c.changes(i)["diameter_in"] for c in chunks for i in range(len(c))]
    assert len(sizes) == 24 and sum(a != b for a, b in pairwise(sizes)) == 1
    rest = [c.number for c in design.chunks({0, 3})]
    assert rest == [c.number for c in chunks if c.number not in (0, 3)]


@pytest.mark.parametrize(("text", "sentence"), [
    ("[drum", "is not TOML"),
    ("[grid]\ndepth_in = [1]\n", r"\[drum\] is missing"),
    (INLINE + "[gird]\n", "'gird' is not part of a sweep: use"),
    ("schema = 'x'\n" + INLINE, "schema = 'x' is not known here"),
    (INLINE + "[grid]\ndepth_inch = [14]\n", "'depth_inch' varies, but depth_inch is not a key of a drum file here"),
    (INLINE + "[grid]\nbatter.tensoin = [14]\n", "'batter.tensoin' varies, but batter.tensoin is not a key"),
    (INLINE + "[grid]\ndepth_in = []\n", r"\[grid\] depth_in must be a list of values"),
    (INLINE + "[grid]\ndepth_in = {from = 1, to = 2}\n", "needs either count or step"),
    (INLINE + "[grid]\ndepth_in = {from = 1, too = 2}\n", "depth_in.too is not known: use count, from"),
    (INLINE + "[grid]\ndepth_in = {from = 0, to = 2, count = 3, spacing = 'log'}\n", "needs from and to above 0"),
    (INLINE + "[random]\ndepth_in = {from = 1, to = 2}\n", r"\[random\] count must be a whole number"),
    (INLINE + "[random]\ncount = 3\n", r"\[random\] varies nothing"),
    (INLINE + "[random]\ncount = 3\ndepth_in = {from = 2, to = 1}\n", "with to not below from"),
    (INLINE + "[random]\ncount = 3\ndepth_in = {from = 2, to = 3, distribution = 'flat'}\n", "must be one of uniform"),
    (INLINE + "[random]\ncount = 3\ndepth_in = {from = 2, to = 3, times = 'resonant.tension'}\n", "is no key of this sweep"),
    (INLINE + "[random]\ncount = 3\nseed = -1\ndepth_in = {from = 2, to = 3}\n", "seed must be a whole number"),
    (INLINE + "[grid]\ndepth_in = [14]\n[random]\ncount = 3\ndepth_in = [15]\n", "both in .grid. and in .random."),
    (INLINE + "[strikes.a]\nx_cm = 3\n", "x_cm is not known: use x_m"),
    (INLINE + "[strikes.a]\nx_m = 0.1\nx_radii = 0.1\n", "has both x_m and x_radii"),
    (INLINE + "[grid]\nstrike.x_m = [0.1]\n[strikes.a]\nx_radii = 0.1\n", "varies and .strikes. sets it too"),
    (INLINE + "[places.a]\nx_m = 1\n", "needs one of z_m"),
    (INLINE + "[places]\nreference = ['behind']\n", "reference must be a list of seat, front"),
    (INLINE + "[output]\npartials = 99\n", "whole number from 0 to 60"),
    (INLINE + "[grid]\nbatter.tension = {from = 1, to = 90000, count = 90000}\n[random]\ncount = 1000\ndepth_in = [14]\n",
     "has 90000000 points: up to"),
    (INLINE + "[random]\ncount = 3\nbatter.tension = {from = 2, to = 3, times = 'depth_in'}\n"
     "depth_in = {from = 2, to = 3, times = 'batter.tension'}\n", "goes round in a circle"),
    ("[drum]\nfile = 'a.toml'\ndepth_in = 3\n", "cannot stand beside file"),
    ("[drum]\nfiles = ['a.toml', 'a.toml']\n", "names a file twice"),
])
def test_what_cannot_be_is_named(text: str, sentence: str) -> None:
    with pytest.raises(InputError, match=sentence) as error:
        parsed(text)
    assert str(error.value).rstrip().endswith((".", ")", "y"))
    assert "\n" not in str(error.value)
