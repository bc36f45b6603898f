"""Readings made from a known drum, and what the fit says of them: right, not swapped, refused with the reason."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from bothheads.infer.heads import HeadsPrior, Setup, fit_heads, prepare
from bothheads.physics.coupled import solve
from bothheads.physics.response import pressures
from bothheads.records import Drum, Fit, Head, Note, Partial, Reading

DRUM = Drum("bass", 0.6604, 0.3556, Head(0.353), Head(0.353))
TRUE = (520.0, 640.0)


@lru_cache(maxsize=8)
def reading(batter: float, resonant: float, names: tuple[str, ...], two_heads: bool = True) -> Reading:
    """What a reader with 2 cents and 1.5 dB would hear of this drum (fixed draw), film masses 2 % off nominal."""
    rng = np.random.default_rng(5)
    drum = DRUM.with_head("batter", tension=batter, surface_density=0.36, resistance=0.7)
    drum = drum.with_head("resonant", tension=resonant, surface_density=0.347, resistance=0.7)
    if not two_heads:
        drum = replace(drum, resonant=None)
    modes = solve(drum, fmax_hz=215.0)
    places = [p for n in names for p in drum.places if p.name == n]
    db = 20 * np.log10(np.abs(pressures(modes, drum.strike, places)))
    db -= db.max(0)
    partials = []
    for i in np.flatnonzero((db.max(1) > -30.0) & (modes.frequency_hz > 5.0)):
        levels = tuple(float(x + 1.5 * rng.normal()) for x in db[i])
        f, tau = modes.frequency_hz[i] * (1 + 0.001 * rng.normal()), modes.decay_s[i] * (1 + 0.04 * rng.normal())
        partials.append(Partial(float(f), 0.05, float(tau), float(0.05 * tau), levels, levels))
    return Reading(48000, names, (), tuple(partials), Note())


@lru_cache(maxsize=1)
def setup() -> Setup:
    return prepare(DRUM, tuple(p for p in DRUM.places if p.name in ("seat", "front")))


@lru_cache(maxsize=1)
def plain() -> Fit:
    return fit_heads(DRUM, [reading(*TRUE, ("seat", "front"))], setup=setup())


def errors(fit: Fit, true: tuple[float, float]) -> tuple[float, float]:
    assert fit.batter is not None and fit.resonant is not None
    return abs(fit.batter.tension / true[0] - 1), abs(fit.resonant.tension / true[1] - 1)


def test_both_tensions_are_found_and_not_swapped() -> None:
    fit = plain()
    assert max(errors(fit, TRUE)) < 0.05
    assert fit.batter is not None and fit.resonant is not None
    assert fit.batter.tension < fit.resonant.tension
    assert fit.identifiable and fit.refused is None
    assert sum(p.model_hz is not None for p in fit.partials) >= 5
    for p in fit.partials:
        assert p.cents is None or abs(p.cents) < 15.0
    assert 60.0 < (fit.batter.head_pitch_hz or 0.0) < (fit.resonant.head_pitch_hz or 0.0) < 100.0


def test_odds_never_pass_99_and_sum_to_one_with_the_swapped_pair_among_the_rivals() -> None:
    fit = plain()
    assert fit.odds <= 0.99
    assert fit.odds + sum(a.odds for a in fit.alternatives) == pytest.approx(1.0)
    assert any(a.resonant is not None and a.batter.tension > a.resonant.tension for a in fit.alternatives)


def test_a_change_is_known_better_than_the_value() -> None:
    fit = plain()
    assert fit.batter is not None
    assert fit.change_sd is not None and fit.log_cov is not None
    assert fit.change_sd < 0.6 * fit.batter.tension_sd / fit.batter.tension
    assert np.linalg.eigvalsh(np.array(fit.log_cov)).min() > 0


def test_a_setup_survives_its_bytes_and_others_are_refused() -> None:
    again = Setup.from_bytes(setup().to_bytes())
    assert again.names == ("seat", "front") and again.shape == setup().shape
    fit = fit_heads(DRUM, [reading(*TRUE, ("seat", "front"))], setup=again)
    first = plain()
    assert fit.batter is not None and first.batter is not None
    assert fit.batter.tension == pytest.approx(first.batter.tension, rel=1e-3)
    with pytest.raises(ValueError, match="not a set-up"):
        Setup.from_bytes(b"something else")


def test_the_last_fit_as_prior_narrows_the_next() -> None:
    prior = HeadsPrior.of_fit(plain(), DRUM)
    fit = fit_heads(DRUM, [reading(540.0, 640.0, ("seat", "front"))], setup=setup(), prior=prior)
    assert max(errors(fit, (540.0, 640.0))) < 0.05
    before = plain()
    assert fit.batter is not None and before.batter is not None
    moved = np.log(fit.batter.tension / before.batter.tension) - np.log(540.0 / 520.0)
    assert abs(moved) < 0.012
    with pytest.raises(ValueError, match="refused fit"):
        HeadsPrior.of_fit(Fit(None, None, 0.0, (), (), False, "no"), DRUM)


def test_microphones_nobody_placed_are_used_with_a_warning() -> None:
    heard = replace(reading(*TRUE, ("seat", "front")), channels=("ch1", "ch2"))
    fit = fit_heads(DRUM, [heard])
    assert any("name the channels" in w for w in fit.warnings)
    assert fit.batter is not None and fit.resonant is not None
    assert (fit.batter.tension * fit.resonant.tension) ** 0.5 == pytest.approx(577.0, rel=0.06)


def test_a_drum_without_resonant_head_is_a_fit_of_one() -> None:
    drum = replace(DRUM, resonant=None)
    fit = fit_heads(drum, [reading(520.0, 640.0, ("seat", "front"), False)])
    assert fit.resonant is None and fit.batter is not None
    assert fit.batter.tension == pytest.approx(520.0, rel=0.06)


def test_what_cannot_be_told_is_refused_in_a_sentence() -> None:
    full = reading(*TRUE, ("seat", "front"))
    assert "wires" in (fit_heads(replace(DRUM, wires_on=True), [full]).refused or "")
    nothing = fit_heads(DRUM, [replace(full, partials=())], setup=setup())
    assert nothing.batter is None and "no partial" in (nothing.refused or "")
    few = fit_heads(DRUM, [replace(full, partials=full.partials[:2])], setup=setup())
    assert "four are needed" in (few.refused or "") and not few.identifiable
    assert few.batter is not None  # the whole object all the same
