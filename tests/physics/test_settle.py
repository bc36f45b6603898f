"""No mode is lost: a hair's change of tension moves every mode by a hair, and wide openings under heavy things have modes."""

from __future__ import annotations

import numpy as np
import pytest

from bothheads.physics.coupled import solve
from bothheads.physics.opening import removed
from bothheads.records import Drum, Head, Muffling, Opening

CROSSING = Drum(
    "two modes that nearly meet at 84 Hz",
    0.6095999999999999,
    0.13214811262354836,
    Head(0.34699176834527695, tension=5916.2997791994985),
    Head(0.5124454307380163, tension=1547.617360308598),
    muffling=(
        Muffling(
            "patch",
            ("batter",),
            0.0,
            0.1471635703333542,
            radius=0.11787431600164182,
            mass=0.016331741953869,
            resistance=9.621134397244324,
        ),
    ),
)
PATCHED = Drum(
    "a heavy patch beside a wide opening",
    0.4572,
    0.127,
    Head(0.263, tension=98.2),
    Head(0.271, tension=3214.0, opening=Opening(0.3013, -0.0099, 0.0247)),
    muffling=(Muffling("patch", ("batter",), 0.0, 0.1385, radius=0.0454, mass=0.0313, resistance=7.3),),
)


def test_every_mode_is_still_there_after_a_hair_s_turn() -> None:
    fmax = 300.0
    assert CROSSING.batter.tension is not None
    now = solve(CROSSING, fmax_hz=fmax)
    for factor in (0.9995, 1.0005, 1.001):
        then = solve(CROSSING.with_head("batter", tension=CROSSING.batter.tension * factor), fmax_hz=fmax * 1.01)
        for s in now.s:
            assert np.abs(then.s - s).min() < 2e-3 * abs(s), (factor, s / 2j / np.pi)


def test_a_wide_opening_under_a_heavy_patch_has_modes() -> None:
    modes = solve(PATCHED, fmax_hz=60.0)
    assert len(modes) > 5
    assert np.isfinite(modes.frequency_hz).all() and (modes.decay_s > 0).all()


@pytest.mark.parametrize(("radius", "centre"), [(0.15, 0.5), (0.66, 0.06)])
def test_what_an_opening_takes_is_never_more_than_all(radius: float, centre: float) -> None:
    """Overlap and gradient lie between nothing and the whole film, for the shortest waves, too: 0 <= x <= 1, k^2."""
    from bothheads.physics.bessel import bessel_zeros

    families = tuple((m, False) for m in range(13))
    films = 20
    overlap, gradient = removed(radius, centre, families, films)
    k = np.concatenate([bessel_zeros(m, films) for m, _ in families])
    share = np.linalg.eigvalsh(overlap)
    assert share.min() > -1e-6 and share.max() < 1.0 + 1e-4
    of_all = np.linalg.eigvalsh(gradient / np.outer(k, k))
    assert of_all.min() > -1e-6 and of_all.max() < 1.0 + 1e-3


NEARLY_EQUAL = Drum("two heads alike, long for its size", 0.6424825, 0.6, Head(0.353, tension=407.5315, resistance=1.0),
                    Head(0.353, tension=407.5315, resistance=1.0))


def test_round_drums_keep_every_mode_too() -> None:
    """Heads alike to a hair: a mode at 286 Hz came and went with 0.03 % of one tension."""
    now = solve(NEARLY_EQUAL, fmax_hz=300.0)
    then = solve(NEARLY_EQUAL.with_head("batter", tension=407.5315 * 1.0003), fmax_hz=303.0)
    for s in now.s:
        assert np.abs(then.s - s).min() < 2e-3 * abs(s), s / 2j / np.pi


def test_nothing_grows_and_every_mode_is_one() -> None:
    """Each answer is a zero of Z(s): its smallest singular value is nothing beside its largest."""
    from bothheads.physics.coupled import build

    for drum in (NEARLY_EQUAL, Drum("tom", 0.4064, 0.4064, Head(0.353, tension=900.0), Head(0.34, tension=700.0))):
        system = build(drum, 600.0)
        modes = solve(drum, fmax_hz=600.0)
        assert (modes.s.real < 0.0).all()
        z, _ = system.impedance(modes.order, modes.s)
        sizes = np.linalg.svd(z, compute_uv=False)
        assert (sizes[:, -1] / sizes[:, 0]).max() < 1e-6
