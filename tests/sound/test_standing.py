"""What rings late decides whether there is a note: cymbals, claps, tones, kicks that fall, twins, strikes cut short."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from types import SimpleNamespace

import numpy as np
import pytest

from bothheads.records import Note, Partial, Reading
from bothheads.sound.cut import cut_at_db
from bothheads.sound.join import join
from bothheads.sound.note import LONGEST_S, name_note
from bothheads.sound.reading import read_samples
from bothheads.sound.standing import LEAST_DRUM, LEAST_NOTE, Tail, beside_unsettled, judged, tail_of
from evidence import assert_canary, assert_published

RATE = 48000
ONSET_S = 0.3
Array = np.ndarray
TOM = ((116.0, 0.30, 0.5), (190.0, 0.20, 0.2), (262.0, 0.12, 0.2))


def lines(partials: tuple[tuple[float, float, float], ...], seconds: float = 1.6, *, glide: float = 0.0, seed: int = 0) -> Array:
    """Decaying lines (Hz, s, amplitude) from 0.3 s on, each starting ``glide`` sharp and falling with the first one's energy."""
    rng = np.random.default_rng(seed)
    t = np.arange(int(seconds * RATE)) / RATE
    rate = 2.0 / partials[0][1]
    u = t + glide * (1.0 - np.exp(-rate * t)) / rate
    ring = sum(a * np.exp(-t / tau) * np.sin(2 * np.pi * f * u) for f, tau, a in partials)
    return np.concatenate([np.zeros(int(ONSET_S * RATE)), np.asarray(ring)]) + 1e-4 * rng.standard_normal(
        int(ONSET_S * RATE) + len(t))


def cymbal(seed: int, level: float = 1.0) -> Array:
    """Four hundred lines at 0.3 to 12 kHz that ring for a second, as a thin plate has them."""
    rng = np.random.default_rng(seed)
    f = rng.uniform(300.0, 12000.0, 400)
    t = np.arange(int(1.6 * RATE)) / RATE
    ring = np.zeros(len(t))
    for one, tau, phase in zip(f, rng.uniform(0.4, 1.5, 400), rng.uniform(0, 2 * np.pi, 400), strict=True):
        ring += np.exp(-t / tau) * np.sin(2 * np.pi * one * t + phase)
    return level * np.concatenate([np.zeros(int(ONSET_S * RATE)), 0.3 * ring / np.abs(ring).max()])


def clap(seed: int) -> Array:
    """Four bursts of noise in 40 ms, then a room."""
    from scipy.signal import butter, sosfilt

    rng = np.random.default_rng(seed)
    t = np.arange(int(1.2 * RATE)) / RATE
    bursts = (t - k * 0.011 for k in range(4))
    shape = sum(np.where(s > 0.0, np.exp(-s.clip(0.0) / 0.006), 0.0) for s in bursts) + 0.1 * np.exp(-t / 0.12)
    band = sosfilt(butter(2, [300.0, 4000.0], "band", fs=RATE, output="sos"), rng.standard_normal(len(t)) * shape)
    return np.concatenate([np.zeros(int(ONSET_S * RATE)), 0.5 * band / np.abs(band).max()])


def note(x: Array) -> Note:
    return read_samples(x, RATE).note


def the_tail(x: Array, end_s: float = 1.9) -> Tail:
    found = tail_of(x[:, None], RATE, ONSET_S, end_s)
    assert found is not None
    return found


@pytest.mark.parametrize("seed", range(2))
def test_a_cymbal_has_no_note_whatever_line_stands_below_it(seed: int) -> None:
    plate = cymbal(seed)
    assert the_tail(plate).held < LEAST_DRUM
    x = plate + lines(((62.0, 1.2, 0.02),))  # a stand, or a drum of the kit answering
    span = SimpleNamespace(onset_s=ONSET_S, end_s=1.9, peak_dbfs=(-10.0,), delay_s=(0.0,))
    reading = read_samples(x, RATE, spans=[span])
    assert any(abs(p.frequency_hz - 62.0) < 0.3 for p in reading.partials)
    assert (reading.note.refused or "").startswith("steady lines below 1 kHz hold less than half") and not reading.settled


def test_the_same_drum_keeps_its_note_beside_a_soft_cymbal() -> None:
    alone, beside = note(lines(TOM)), note(lines(TOM) + cymbal(1, 0.05))
    assert alone.frequency_hz == pytest.approx(116.0, abs=0.1)
    assert beside.frequency_hz == pytest.approx(116.0, abs=0.1)


@pytest.mark.parametrize("seed", range(4))
def test_a_clap_has_no_note(seed: int) -> None:
    x = clap(seed) + 1e-4 * np.random.default_rng(seed).standard_normal(len(clap(seed)))
    assert note(x).frequency_hz is None


def test_what_does_not_die_away_is_no_drum() -> None:
    assert note(lines(((65.4, 60.0, 0.3), (130.8, 60.0, 0.03)), 3.0)).frequency_hz is None
    p = Partial(65.4, 0.01, 4.0, 0.1, (0.0,), (-10.0,))
    assert "outlasts any drum" in (name_note([p]).refused or "")
    assert name_note([replace(p, decay_s=LONGEST_S - 0.3)]).frequency_hz == 65.4
    assert name_note([replace(p, decay_sd_s=1.0)]).frequency_hz == 65.4  # how long it rings is not known


def test_a_weak_twin_that_rings_on_is_not_the_note() -> None:
    """A head falls to rest: a line above another is not where it comes to rest, however long it rings."""
    tom = Partial(116.0, 0.05, 0.3, 0.01, (0.0,), (-10.0,))
    for twin in (Partial(119.0, 0.05, 4.0, 0.3, (-30.0,), (-40.0,)), Partial(121.0, 0.05, 0.6, 0.02, (-14.0,), (-24.0,))):
        got = name_note([tom, twin])
        assert got.frequency_hz in (None, 116.0)
    assert name_note([tom, Partial(119.0, 0.05, 4.0, 0.3, (-30.0,), (-40.0,))]).frequency_hz == 116.0


@lru_cache(maxsize=1)
def kicks() -> tuple[Note, ...]:
    """A kick struck softly, hard, and so hard that it falls an octave."""
    return tuple(note(lines(((52.0, 0.16, 0.7), (104.0, 0.05, 0.2)), glide=glide)) for glide in (0.02, 0.3, 1.0))


def check_kicks() -> None:
    for got in kicks():
        if got.frequency_hz is not None:
            assert_published(got.frequency_hz, 52.0, 0.02 * 52.0 + 2.0 * (got.sd_hz or 0.0),
                             source="resting frequency the strike is made of", kind="closed form")


def test_a_kick_whose_pitch_falls_an_octave_has_the_note_of_the_soft_one_or_none() -> None:
    check_kicks()
    assert_canary(check_kicks)


def test_a_note_the_late_ring_does_not_hold_is_refused() -> None:
    """A line 25 dB under what rings beside it, and shorter: nobody hears it as the note."""
    x = lines(((70.0, 0.15, 0.03), (240.0, 0.3, 0.5)))
    tail = the_tail(x)
    assert tail.fit is not None and tail.share([int(np.argmin(np.abs(tail.fit.f - 70.0)))]) < LEAST_NOTE
    claimed = Note(70.0, 0.05, 0.15)
    assert judged(claimed, tail, single=True, sized=False)[0].frequency_hz is None
    assert judged(Note(240.0, 0.05, 0.3), tail, single=True, sized=False)[0].frequency_hz == 240.0


def test_a_note_where_no_line_rings_at_all_is_refused_for_the_one_that_does() -> None:
    tail = the_tail(lines(((116.0, 0.3, 0.5),)))
    told = judged(Note(60.0, 0.05, 0.2), tail, single=True, sized=False)[0]
    assert told.frequency_hz is None and "116 Hz" in (told.refused or "")


def test_a_note_beside_a_louder_line_that_moves_is_not_sure() -> None:
    note_line, moves = Partial(50.0, 0.2, 0.14, 0.02, (-5.0,), (-16.0,)), Partial(96.0, 1.2, 0.2, 0.05, (0.0,), (-11.0,))
    claimed = Note(50.0, 0.2, 0.14)
    assert "96 Hz" in (beside_unsettled(claimed, [note_line, moves]).refused or "")
    assert beside_unsettled(claimed, [replace(note_line, decay_s=1.0), moves]) == claimed


def test_a_note_read_elsewhere_than_it_rings_has_the_difference_in_its_bar_or_none() -> None:
    tail = the_tail(lines(TOM))
    near = judged(Note(115.0, 0.02, 0.3), tail, single=True, sized=False)[0]
    assert near.frequency_hz == 115.0 and 0.4 < (near.sd_hz or 0.0) < 0.7
    assert judged(Note(115.0, 0.02, 0.3), tail, single=False, sized=False)[0].sd_hz == 0.02
    far = judged(Note(109.0, 0.02, 0.3), tail, single=True, sized=False)[0]
    assert far.frequency_hz is None and "late in the" in (far.refused or "")


def test_a_bass_drum_through_a_high_pass_keeps_the_note_that_outlasts_the_rest() -> None:
    x = lines(((36.0, 2.0, 0.02), (90.0, 0.5, 0.15), (101.0, 0.6, 0.15)), 2.5)
    tail = the_tail(x, 2.7)
    assert tail.fit is not None
    k = [int(np.argmin(np.abs(tail.fit.f - 36.0)))]
    assert tail.share(k) < LEAST_NOTE < tail.share(k, later=True)
    assert judged(Note(36.0, 0.02, 2.0), tail, single=True, sized=False)[0].frequency_hz == 36.0


def test_a_strike_cut_while_it_rings_is_said_and_heard_out_is_not() -> None:
    x = lines(TOM, glide=0.02)
    whole = read_samples(x, RATE)
    cut = read_samples(x[: int((ONSET_S + 0.35) * RATE)], RATE)
    assert not any("ends while" in w for w in whole.warnings)
    assert sum("ends while the drum still rings" in w for w in cut.warnings) == 1
    if cut.note.frequency_hz is not None:
        assert abs(cut.note.frequency_hz - 116.0) < 2.0 * (cut.note.sd_hz or 0.0) + 0.05
        assert (cut.note.sd_hz or 0.0) > (whole.note.sd_hz or 0.0)
    fallen = cut_at_db(x[: int((ONSET_S + 0.35) * RATE), None], RATE, ONSET_S, ONSET_S + 0.35)
    assert fallen is not None and 0.0 < fallen < 20.0


def test_readings_joined_keep_what_each_sound_refused() -> None:
    refused = [replace(read_samples(lines(TOM, seed=s), RATE), note=Note(refused="no.")) for s in (1, 2)]
    assert all(isinstance(r, Reading) for r in refused)
    assert join(refused).note.refused == "no."
    heard = [refused[0], read_samples(lines(TOM, seed=3), RATE)]
    assert join(heard).note.frequency_hz == pytest.approx(116.0, abs=0.1)


def test_what_is_no_drum_gives_no_heads() -> None:
    from bothheads.infer.heads import fit_heads
    from bothheads.records import Drum, Head
    from bothheads.sound.standing import NO_DRUM

    reading = replace(read_samples(lines(TOM), RATE), note=Note(refused=NO_DRUM))
    fit = fit_heads(Drum("tom", 0.3048, 0.25, Head(0.35), Head(0.35)), [reading])
    assert fit.batter is None and fit.refused == NO_DRUM
