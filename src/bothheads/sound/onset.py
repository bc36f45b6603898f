"""Where something may have been struck: rises of energy in two bands, and the first audible sample of each.

Generous on purpose: what is no strike is thrown out by ``gate``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

FRAME_S = 0.00067
_FAST = 4  # frames of the fast level
_PAST_S, _GAP_S = 0.030, 0.004  # the past is this long and ends this long before the fast level
_FLOOR_S = 2.0  # over which the quiet level is taken
_RISE_DB, _CLICK_RISE_DB = 5.0, 8.0  # above the past: body band, click band
_ABOVE_FLOOR_DB = 9.0
_CLIMB_S = 0.025
APART_S = 0.012  # rises nearer than this are one


@dataclass(frozen=True)
class Bands:
    """The recording in bands (n, channels): ``wave`` above 30 Hz, ``body`` to 1 kHz, ``click`` 1.2-9 kHz."""

    wave: Array
    body: Array
    click: Array


def split(x: Array, sample_rate_hz: float) -> Bands:
    """Causal Butterworth bands, so that nothing rings before a strike."""
    from scipy.signal import butter, sosfilt

    top = 0.45 * sample_rate_hz
    rumble = butter(2, 30.0, "high", fs=sample_rate_hz, output="sos")
    low = butter(3, min(1000.0, top), "low", fs=sample_rate_hz, output="sos")
    high = butter(2, [1200.0, min(9000.0, top)], "band", fs=sample_rate_hz, output="sos")
    wave = np.asarray(sosfilt(rumble, x, axis=0))
    return Bands(wave, np.asarray(sosfilt(low, wave, axis=0)), np.asarray(sosfilt(high, x, axis=0)))


def level(band: Array, hop: int) -> Array:
    """Mean square per frame of ``hop`` samples; each channel weighed by its own quiet level, then added."""
    frames = len(band) // hop
    power = np.square(band[: frames * hop]).reshape(frames, hop, -1).mean(axis=1)
    quiet = np.percentile(power, 20, axis=0)
    loud = power.max(axis=0, initial=1e-30)
    quiet = np.maximum(quiet, 1e-8 * loud)
    total: Array = (power / quiet).sum(axis=1) / power.shape[1]
    return total


def rise(power: Array, frame_s: float) -> tuple[Array, Array]:
    """(dB above the past, dB above the quiet level of the last two seconds) of the fast level, per frame."""
    past_n, gap_n = max(1, round(_PAST_S / frame_s)), max(1, round(_GAP_S / frame_s))
    total = np.concatenate([[0.0], np.cumsum(power)])
    n = len(power)
    at = np.arange(n)
    fast = (total[np.minimum(at + _FAST, n)] - total[at]) / np.maximum(np.minimum(at + _FAST, n) - at, 1)
    end = np.maximum(at - gap_n, 0)
    begin = np.maximum(end - past_n, 0)
    past = (total[end] - total[begin]) / np.maximum(end - begin, 1)
    floor = _quiet(power, frame_s)
    tiny = 1e-12 * float(power.max(initial=1e-30))
    past = np.where(end > begin, past, floor)
    decibel = 10 * np.log10((fast + tiny) / (past + tiny))
    return decibel, 10 * np.log10((fast + tiny) / (floor + tiny))


def _quiet(power: Array, frame_s: float) -> Array:
    """The 20th percentile over the last two seconds (the first two at the beginning), per frame."""
    block = max(1, round(0.05 / frame_s))
    blocks = max(1, len(power) // block)
    coarse = np.array([power[i * block : (i + 1) * block].mean() for i in range(blocks)])
    span = min(blocks, max(1, round(_FLOOR_S / (block * frame_s))))
    rolled = np.lib.stride_tricks.sliding_window_view(coarse, span)
    low = np.percentile(rolled, 20, axis=1)
    per_block = np.concatenate([np.full(blocks - len(low), low[0]), low])
    out: Array = np.repeat(per_block, block)
    return np.concatenate([out, np.full(max(0, len(power) - len(out)), per_block[-1])])[: len(power)]


@dataclass(frozen=True)
class Trigger:
    """A rise of energy near sample ``at`` [dB]: above the last 30 ms in the body and the click band, and above the
    loudest of the last 0.3 s in the body band (negative where two partials beat)."""

    at: int
    body_db: float
    click_db: float
    fresh_db: float


def triggers(bands: Bands, sample_rate_hz: float) -> list[Trigger]:
    """Rises of energy such as a strike makes, local maxima at least ``APART_S`` apart, in order."""
    hop = max(1, round(FRAME_S * sample_rate_hz))
    frame_s = hop / sample_rate_hz
    if len(bands.wave) < 8 * hop:
        return []
    power = level(bands.body, hop)
    body, body_floor = rise(power, frame_s)
    click, click_floor = rise(level(bands.click, hop), frame_s)
    score = np.maximum(np.where(body_floor > _ABOVE_FLOOR_DB, body - _RISE_DB, -1.0),
                       np.where(click_floor > _ABOVE_FLOOR_DB, click - _CLICK_RISE_DB, -1.0))
    apart = max(1, round(APART_S / frame_s))
    out: list[Trigger] = []
    last = 0
    for k in np.flatnonzero(score > 0.0).tolist():
        lo, hi = max(0, k - apart), k + apart + 1
        if score[k] >= score[lo:hi].max() and not (last and k - last < apart):
            around = slice(max(0, k - 3), k + 6)
            last = k
            begin = _climb(score, k, round(_CLIMB_S / frame_s))
            out.append(Trigger(begin * hop, float(body[around].max()), float(click[around].max()), _fresh(power, k, frame_s)))
    return out


def _climb(score: Array, k: int, longest: int) -> int:
    """Frame at which the rise that peaks at frame k begins to show; a low partial in noise climbs for 20 ms."""
    first = k
    while first > 0 and k - first < longest and score[first - 1] > 0.25 * score[k]:
        first -= 1
    return min(first + 2, k)


def _fresh(power: Array, k: int, frame_s: float) -> float:
    """Body power over the 10 ms from frame k against the loudest 10 ms of the 0.3 s before [dB]."""
    span, before, gap = (max(1, round(t / frame_s)) for t in (0.010, 0.30, 0.004))
    past = power[max(0, k - before) : max(0, k - gap)]
    if len(past) < span:
        return 60.0
    running = np.convolve(past, np.full(span, 1.0 / span), "valid")
    return float(10 * np.log10((power[k : k + span].mean() + 1e-30) / (running.max() + 1e-30)))


def rises_slowly(bands: Bands, sample_rate_hz: float, at: int) -> bool:
    """True when the first 8 ms stay below a quarter of the next 50 ms in both bands, as breath and cloth do."""
    first, second = at + round(0.008 * sample_rate_hz), at + round(0.058 * sample_rate_hz)
    begin = max(0, at - round(0.002 * sample_rate_hz))
    slow = []
    for band in (bands.body, bands.click):
        early = np.abs(band[begin:first]).max(initial=0.0)
        late = np.abs(band[first:second]).max(initial=0.0)
        slow.append(bool(early < 0.25 * late))
    return all(slow)


def steep_click_db(bands: Bands, sample_rate_hz: float, at: int) -> float:
    """Rise of the click band near ``at`` over the 30 ms before [dB], behind a steeper filter.

    A low partial of a clean ring comes through the click band's own skirt 40 dB down, and beats there like a click.
    """
    from scipy.signal import butter, sosfilt

    lead, before, late = (round(t * sample_rate_hz) for t in (0.046, 0.006, 0.012))
    begin = max(0, at - lead)
    steep = butter(6, 2000.0, "high", fs=sample_rate_hz, output="sos")
    power = np.square(np.asarray(sosfilt(steep, bands.click[begin : at + late], axis=0))).sum(axis=1)
    settled, split_at = round(0.010 * sample_rate_hz), at - begin - before
    if split_at <= settled:
        return 0.0
    span = max(1, round(0.0027 * sample_rate_hz))
    running = np.convolve(power[split_at:], np.full(span, 1.0 / span), "valid")
    return float(10 * np.log10((running.max(initial=0.0) + 1e-30) / (power[settled:split_at].mean() + 1e-30)))


def first_sample(bands: Bands, sample_rate_hz: float, at: int, earliest: int, *, back_s: float = 0.008) -> int:
    """First audible sample of the strike near ``at`` in the earliest channel, not before ``earliest``; ``back_s``: how far
    before ``at`` [s] it may lie.

    Where the quiet before allows it: the first sample above 2 % of the strike's peak. Else the first that any band
    lifts above its own noise and ring (4.5 times their rms before).
    """
    begin = max(earliest, at - round(back_s * sample_rate_hz))
    return min(_first_in_channel(bands, sample_rate_hz, at, begin, c) for c in range(bands.wave.shape[1])
               if _speaks(bands, sample_rate_hz, at, c))


def _speaks(bands: Bands, sample_rate_hz: float, at: int, channel: int) -> bool:
    """Whether the channel takes part: its rise must be within 20 dB of the best channel's."""
    begin, end = max(0, at - round(0.002 * sample_rate_hz)), at + round(0.02 * sample_rate_hz)
    quiet = max(0, begin - round(0.02 * sample_rate_hz))
    after = np.square(bands.wave[begin:end]).max(axis=0, initial=0.0)
    before = np.square(bands.wave[quiet:begin]).mean(axis=0) if begin > quiet else np.zeros(len(after))
    ratio = after / (before + 1e-4 * after + 1e-30)
    return bool(ratio[channel] >= 0.01 * ratio.max())


def _first_in_channel(bands: Bands, sample_rate_hz: float, at: int, begin: int, channel: int) -> int:
    end = at + round(0.010 * sample_rate_hz)
    wave = bands.wave[max(0, begin - round(0.020 * sample_rate_hz)) : at + round(0.040 * sample_rate_hz), channel]
    lead = begin - max(0, begin - round(0.020 * sample_rate_hz))
    peak = float(np.abs(wave[lead:]).max(initial=0.0))
    noise = float(np.sqrt(np.square(wave[:lead]).mean())) if lead > 8 else 0.0
    if 4.5 * noise < 0.02 * peak:
        over = np.flatnonzero(np.abs(wave[lead : lead + end - begin]) > 0.02 * peak)
        return begin + int(over[0]) if len(over) else at
    found = []
    for band in (bands.wave, bands.body, bands.click):
        before = band[begin - lead : begin, channel]
        floor = 4.5 * float(np.sqrt(np.square(before).mean())) if lead > 8 else 0.0
        over = np.flatnonzero(np.abs(band[begin:end, channel]) > max(floor, 0.02 * peak if band is bands.wave else 0.0))
        found += over[:1].tolist()
    return begin + min(found, default=at - begin)
