"""Drums of one shape solved together against each one alone, and contacts taken together against one by one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from bothheads.errors import InputError
from bothheads.physics.contacts import contacts
from bothheads.physics.coupled import default_fmax, solve
from bothheads.physics.feel import contact_of, feel, highest_hz, residues_of, static_remainder
from bothheads.physics.forecast import forecast
from bothheads.physics.many import Shape, head_pitches, solve_many
from bothheads.records import Air, Drum, Head, Muffling, Opening, Strike
from evidence import assert_canary, assert_published

SOLVER = "coupled.solve of each drum alone: same equations, another code path"
HEAD = Head(0.353, tension=900.0, resistance=3.0, stiffness_loss=2e-6)
BASS = Drum("bass", 0.5588, 0.4064, HEAD, replace(HEAD, tension=700.0), strike=Strike(0.05, 0.02))
TOM = replace(BASS, diameter=0.4064, depth=0.4064)  # the air between its heads resonates below 600 Hz
RING = (Muffling("ring", ("batter", "resonant"), width=0.03, mass=0.02, resistance=8.0, stiffness=2e3),)


def family(drum: Drum, count: int, seed: int = 5) -> list[Drum]:
    """Drums of one shape: tensions within one per cent, so that their resolution is the same."""
    rng = np.random.default_rng(seed)
    out = []
    for _ in range(count):
        one = drum.with_head("batter", tension=900 * rng.uniform(0.99, 1.01), resistance=rng.uniform(0.5, 8))
        out.append(one if one.resonant is None else one.with_head(
            "resonant", tension=700 * rng.uniform(0.99, 1.01), surface_density=0.353 * rng.uniform(0.9, 1.0)))
    return out


def check(drum: Drum) -> None:
    drums = family(drum, 3)
    many = solve_many(drums)
    for i, one in enumerate(drums):
        alone, rows = solve(one, fmax_hz=default_fmax(one)), many.of(i)
        assert len(alone) == rows.stop - rows.start
        assert (many.modes.order[rows] == alone.order).all()
        for got, want in zip(many.modes.s[rows], alone.s, strict=True):
            assert_published(got.imag, want.imag, 1e-6, relative=True, source=SOLVER, kind="independent code")
            assert_published(got.real, want.real, 2e-4, relative=True, source=SOLVER, kind="independent code")
        for name, hz in forecast(one).head_pitch_hz.items():
            assert_published(many.head_pitch_hz[name][i], hz, 1e-6, relative=True, source=SOLVER, kind="independent code")


@pytest.mark.parametrize("drum", [
    BASS, TOM, replace(BASS, muffling=RING), replace(BASS, air=Air(335.0, 1.25, temperature_c=10.0)),
    replace(TOM, depth=0.2, resonant=None)], ids=["bass", "tom", "rings", "cold air with walls", "open"])
def test_together_is_as_alone(drum: Drum) -> None:
    check(drum)


def test_the_comparison_sees_an_error() -> None:
    assert_canary(check, TOM)


def test_vectors_and_norms_are_those_alone() -> None:
    drums = family(BASS, 2)
    many = solve_many(drums)
    for i, one in enumerate(drums):
        alone, rows = solve(one, fmax_hz=300.0), many.of(i)
        work = residues_of(replace(many.modes, drum=one), one.strike)[rows]
        assert np.abs(work - residues_of(alone, one.strike)).max() < 3e-4 * np.abs(work).max()  # 0.003 dB


def test_head_pitches_of_a_drum_with_opening_and_pad_leave_both_out() -> None:
    pad = Muffling("pad", ("batter",), 0.0, -0.15, radius=0.06, mass=0.03, resistance=60.0)
    drum = replace(BASS.with_head("resonant", opening=Opening(0.127, 0.1)), muffling=(pad,))
    assert head_pitches(drum) == pytest.approx(forecast(drum).head_pitch_hz, rel=1e-6)
    assert head_pitches(replace(BASS, resonant=None)) == {}


def test_drums_of_several_shapes_are_not_solved_together() -> None:
    with pytest.raises(InputError, match="only round drums of one shape"):
        solve_many([BASS, TOM])
    with pytest.raises(InputError, match="only round drums of one shape"):
        solve_many([BASS.with_head("resonant", opening=Opening(0.127, 0.1))])
    assert Shape.of(BASS.with_head("resonant", opening=Opening(0.127, 0.1))) is None


def check_contacts() -> None:
    drums = [d for drum in (BASS, TOM) for d in family(drum, 2)] + [BASS.with_head("batter", tension=250.0)]
    modes = [solve(d, fmax_hz=highest_hz(d, default_fmax(d))) for d in drums]
    give = np.array([static_remainder(d, d.strike, highest_hz(d, default_fmax(d))) for d in drums])
    met = contacts([m.s for m in modes], [residues_of(m, m.drum.strike) for m in modes], give)
    for i, m in enumerate(modes):
        one = contact_of(m, fmax_hz=default_fmax(m.drum))
        source = "beater.strike, a quarter of the time step, one drum at a time"
        assert_published(met.contact_s[i], one.contact_s, 3e-3, relative=True, source=source, kind="independent code")
        assert_published(met.rebound[i], one.rebound, 3e-3, source=source, kind="independent code")


def test_contacts_together_are_those_one_by_one() -> None:
    check_contacts()
    assert_canary(check_contacts)


def test_modes_to_300_hz_give_the_feel_within_two_per_cent() -> None:
    for drum in (BASS, BASS.with_head("batter", tension=2000.0), BASS.with_head("batter", tension=300.0)):
        modes = solve(drum, fmax_hz=300.0)
        met = contacts([modes.s], [residues_of(modes, drum.strike)], np.array([static_remainder(drum, drum.strike, 300.0)]))
        whole = feel(drum)
        assert met.contact_s[0] * 1e3 == pytest.approx(whole.contact_ms, rel=0.02)
        assert met.rebound[0] == pytest.approx(whole.rebound, abs=0.02)


def test_no_modes_are_a_wall_and_a_beater_that_presses_on_stays() -> None:
    from bothheads.physics.beater import FELT, strike

    nothing = np.zeros(0, complex)
    assert contacts([nothing], [nothing], np.zeros(1)).contact_s[0] == pytest.approx(
        strike(nothing, nothing).contact_s, abs=3e-5)
    pressed = contacts([nothing], [nothing], np.array([1e-5]), beater=replace(FELT, foot_force=60.0, loss=0.9))
    assert pressed.rebound[0] >= 0.0
