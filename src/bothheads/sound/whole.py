"""From the fit of a take to what was found: bars, levels in every channel, glide, tones left out, reasons."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ..constants import ONSET_TO_LEVEL
from .decimate import response
from .gather import Found
from .growing import TakeFit
from .late import over_starts, tail_moves
from .noise import Floor
from .partials import explained
from .remainder import explained_late_db, remainder
from .residual import misfit, wald
from .spread import bars, spread
from .take import fit_alone, fit_take
from .tones import combination_tones, glide_products
from .varpro import JointFit
from .warp import DrivenWarp
from .window import Window

Array = NDArray[np.float64]
MOST_CHANNELS = 4  # fitted together: the strongest; the others get levels only
_WEAKEST_DB = -36.0
_LARGEST_SD_HZ = 0.6  # from the noise
_LARGEST_BAR_HZ, _LARGEST_BAR = 1.5, 0.0116  # 20 cents: what is short is known less, and its bar says so
_AT_REST_CENTS = 1.0


def strongest_channels(windows: Sequence[Window]) -> NDArray[np.intp]:
    """Indices of the channels that stand highest above their noise, at most four, none 40 dB below the first."""
    power = np.sum([(w.samples**2).sum(axis=1) for w in windows], axis=0)
    order = np.argsort(-power)[:MOST_CHANNELS]
    kept: NDArray[np.intp] = np.sort(order[power[order] > 1e-4 * power[order[0]]])
    return kept


def of_channels(window: Window, channels: NDArray[np.intp]) -> Window:
    """The window with some of its channels."""
    return Window(window.rate_hz, window.start_s, window.samples[channels], window.nuisance, window.weight,
                  window.hum_hz, window.hum_sd)


def amplitudes(
    fit: JointFit, windows: Sequence[Window], unit: Array, sample_rate_hz: int, step: int
) -> tuple[Array, NDArray[np.bool_]]:
    """(amplitude (S, C, K) at the onset in full scale, heard (S, C, K)) in every channel, everything else as fitted."""
    full = JointFit(windows, fit.f, fit.a, fit.clock)
    gain = response(fit.f, sample_rate_hz, step)
    size = np.array([np.abs(p.amplitudes) * (1.0 if p.curve.swell is None else p.curve.swell[:, 0])
                     for p in full.state.parts]) * unit[:, None] / gain
    floor = np.maximum(misfit(full), 1e-3) ** 2
    return size, np.array([wald(p, len(fit.f)) > 12.0 * floor for p in full.state.parts])


def read_take(
    windows: Sequence[Window], which: Sequence[int], strikes: int, unit: Array, floor: Floor, sample_rate_hz: int,
    step: int,
) -> Found | None:
    """Partials of a take from windows with all channels; ``which`` strike of ``strikes`` each window belongs to."""
    channels = strongest_channels(windows)
    inside = [of_channels(w, channels) for w in windows]
    alone = len(inside) == 1 and not floor.measured
    take = fit_alone(inside[0], floor.density) if alone else fit_take(inside, floor.density)
    if take is None:
        return None
    fit = take.driven.fit
    parts = spread(take.driven)
    sd_f, sd_a = bars(parts, fit.f, fit.a)
    if len(fit.windows) <= 2:  # too few strikes to see them scatter
        late_f, late_a = over_starts(fit)
        sd_f, sd_a = np.hypot(np.hypot(sd_f, late_f), tail_moves(fit)), np.hypot(sd_a, late_a)
    level = 20.0 * np.log10(take.driven.level() + 1e-12)
    keep = ~(combination_tones(take.driven) | glide_products(take.driven))
    keep &= (level > _WEAKEST_DB) & (parts.fisher_f < _LARGEST_SD_HZ) & (sd_f < np.maximum(_LARGEST_BAR_HZ, _LARGEST_BAR * fit.f))
    keep &= ~steady_lines(take, floor, unit[channels], channels)
    inside = [replace_weight(windows[i], fit.windows[n].weight) for n, i in enumerate(take.strikes)]
    size, heard = amplitudes(fit, inside, unit, sample_rate_hz, step)
    k = np.nonzero(keep & heard.any(axis=(0, 1)))[0]
    if not k.size:
        return None
    settled, reason = settledness(fit.f[k], sd_f[k], take.driven.level()[k] * np.exp(-0.25 * fit.a[k]))
    amplitude = np.full((strikes, size.shape[1], k.size), np.nan)
    shown = np.zeros(amplitude.shape, bool)
    for n, i in enumerate(take.strikes):
        amplitude[which[i]], shown[which[i]] = size[n][:, k], heard[n][:, k]
    return Found(fit.f[k], sd_f[k], fit.a[k], sd_a[k], amplitude, shown, glide_cents(take, which, strikes, k),
                 explained(fit), settled, (reason,) if reason else (), close_pairs(fit.f[k], fit.a[k]),
                 remainder(fit, floor.measured), unrest(take),
                 explained_late_db(fit))


def steady_lines(take: TakeFit, floor: Floor, unit: Array, channels: NDArray[np.intp]) -> NDArray[np.bool_]:
    """(K,) True for lines that were there before the first strike (hum, fans) at half their level after it or more."""
    fit = take.driven.fit
    first = int(np.argmin(take.strikes))
    part, window = fit.state.parts[first], fit.windows[first]
    after = np.abs(part.amplitudes) * np.exp(-fit.a * window.start_s) * unit[:, None]
    out = _unmoved(take)
    for k, (f, a) in enumerate(zip(fit.f, fit.a, strict=True)):
        before = floor.steady(float(f)) if a < 4.0 else None
        if before is not None:
            c = int(np.argmax(after[:, k] / unit))
            out[k] |= before[channels[c]] > 0.5 * after[c, k]
    return out


def _unmoved(take: TakeFit) -> NDArray[np.bool_]:
    """(K,) True for lines that hardly decay and are as strong after soft strikes as after hard ones."""
    A = np.sqrt((take.driven.amplitudes() ** 2).sum(1))
    if len(A) < 2:
        return np.zeros(A.shape[1], bool)
    loudest = A.max(1)
    change = A.max(0) / np.maximum(A.min(0), 1e-12)
    out: NDArray[np.bool_] = (take.driven.fit.a < 0.8) & (change < 1.3) & (loudest.max() > 1.6 * loudest.min())
    return out


def replace_weight(window: Window, weight: Array) -> Window:
    """The window weighted as in the fit."""
    return Window(window.rate_hz, window.start_s, window.samples, window.nuisance, weight, window.hum_hz, window.hum_sd)


def glide_cents(take: TakeFit, which: Sequence[int], strikes: int, keep: NDArray[np.intp]) -> tuple[float | None, ...]:
    """Glide of the lowest credible partial at the end of the push, per strike; None where the strike was not read."""
    out: list[float | None] = [None] * strikes
    driven = take.driven
    level = driven.level()[keep]
    credible = keep[level > 10 ** (-30 / 20)]
    lowest = int(credible[np.argmin(driven.fit.f[credible])]) if credible.size else int(keep[0])
    for n, i in enumerate(take.strikes):
        out[which[i]] = _one_exponential(driven.clock, n, lowest, float(driven.fit.a[lowest]))
    return tuple(out)


def _one_exponential(clock: DrivenWarp, strike: int, k: int, rate: float) -> float:
    """Glide [cents] of partial k at the end of the push: of the exponential that fits its clock best, weighted by level.

    The sum of drives itself is not extrapolated: a short drive is huge before the first sample that was read.
    """
    t = np.linspace(clock.reference_s, clock.reference_s + min(0.95, 1.5 / rate + 0.1), 201)
    gained = (clock.curve(strike, t).at_knots[k] - (t[::2] - t[0]))
    t = t[::2] - ONSET_TO_LEVEL
    weight = np.exp(-0.5 * rate * t)
    best = (np.inf, 0.0)
    for decay in np.geomspace(0.2, 80.0, 60):
        M = np.stack([np.ones_like(t), (1.0 - np.exp(-decay * t)) / decay], 1) * weight[:, None]
        c = np.linalg.lstsq(M, gained * weight, rcond=None)[0]
        error = float(((M @ c - gained * weight) ** 2).sum())
        best = min(best, (error, float(c[1])))
    return float(np.round(1200.0 * np.log2(max(1.0 + best[1], 0.5)), 6)) + 0.0


def close_pairs(f: Array, a: Array) -> tuple[str | None, ...]:
    """A remark for partials that lie within a line width (rate / pi) or 3 Hz of another: they beat."""
    out: list[str | None] = []
    for k in range(len(f)):
        gap = np.abs(f - f[k])
        gap[k] = np.inf
        j = int(np.argmin(gap))
        close = gap[j] < max(3.0, min(a[k], a[j]) / np.pi)
        out.append(f"one of a pair {gap[j]:.2f} Hz apart" if close else None)
    return tuple(out)


def settledness(f: Array, sd: Array, late_level: Array) -> tuple[bool, str | None]:
    """Whether the partial that is loudest after 250 ms is known to 5 cents, and the reason if not."""
    k = int(np.argmax(late_level))
    cents = float(1200.0 / np.log(2.0) * sd[k] / f[k])
    if cents < 5.0:
        return True, None
    return False, f"the strongest partial at {f[k]:.1f} Hz is known to {cents:.0f} cents only"


def unrest(take: TakeFit) -> tuple[str, ...]:
    """A sentence when no strike of the take was heard down to less than a cent of glide."""
    clock = take.driven.clock
    left = []
    for n, window in enumerate(take.driven.fit.windows):
        drive = clock.energy[n] * np.exp(-clock.rate * (float(window.half[-1]) - clock.reference_s))
        left.append(600.0 * np.log2(1.0 + 2.0 * float((take.driven.mean_shares() * drive).sum())))
    if min(left) < _AT_REST_CENTS:
        return ()
    least = f"{min(left):.0f}"
    return ("the drum had not come to rest when the next strike came or the sound ended "
            f"({least} cent{'' if least == '1' else 's'} left): its resting frequencies are extrapolated.",)
