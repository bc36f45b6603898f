"""What the partials leave unexplained, by cause: where in time and frequency the residual lies."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..records import Remainder
from .noise import detrend
from .varpro import JointFit
from .window import Window

Array = NDArray[np.float64]
ATTACK_S = 0.06  # after the onset: until then beater, click and the heads' first pumping are still about
ATTACK = "attack: beater, click and fast partials of the first 60 ms"
BESIDE = "beside the partials: pairs not told apart, decay in two stages, glide the model does not follow"
ELSEWHERE = "elsewhere: shell, wires, other drums, room"
NOISE = "noise of the recording"


def remainder(fit: JointFit, noise_known: bool) -> tuple[Remainder, ...]:
    """Shares [0-1] of the windows' energy (drift and hum removed) left by the fit, largest first; under 0.01 % left out.

    The residual up to 60 ms after the onset is attack; later it is split into bins within two line widths (at least
    6 Hz) of a partial and the others, the measured noise taken off both.
    """
    total = 0.0
    shares = dict.fromkeys((ATTACK, BESIDE, ELSEWHERE, NOISE), 0.0)
    for window, part in zip(fit.windows, fit.state.parts, strict=True):
        total += float((detrend(window.samples, window.nuisance) ** 2).sum())
        left = part.residual / window.weight
        start = int(max(0.0, ATTACK_S - window.start_s) * window.rate_hz)
        noise = 1.0 if noise_known else 0.0
        shares[ATTACK] += max(float((left[:, :start] ** 2).sum()) - noise * left[:, :start].size, 0.0)
        shares[NOISE] += noise * left.size
        beside, elsewhere = _late(fit, window, left[:, start:], noise)
        shares[BESIDE] += beside
        shares[ELSEWHERE] += elsewhere
    scale = 1.0 / max(total, 1e-300)
    found = [Remainder(cause, min(1.0, energy * scale)) for cause, energy in shares.items() if energy * scale > 1e-4]
    return tuple(sorted(found, key=lambda r: -r.share))


def _late(fit: JointFit, window: Window, left: Array, noise: float) -> tuple[float, float]:
    if left.shape[1] < 32:
        return 0.0, 0.0
    power = 2.0 * np.abs(np.fft.rfft(left, axis=1)) ** 2 / left.shape[1]
    freq = np.fft.rfftfreq(left.shape[1], 1.0 / window.rate_hz)
    width = np.maximum(6.0, 2.0 * fit.a / np.pi)
    near = (np.abs(freq[:, None] - fit.f) < width).any(axis=1)
    floor = 2.0 * noise * len(left)
    beside = float(power[:, near].sum() - floor * near.sum())
    elsewhere = float(power[:, ~near].sum() - floor * (~near).sum())
    return max(beside, 0.0), max(elsewhere, 0.0)


def explained_late_db(fit: JointFit, from_s: float = 0.15) -> float | None:
    """Energy over what the partials leave [dB] from ``from_s`` after the onset on; None when nothing is that late."""
    total = left = 0.0
    for window, part in zip(fit.windows, fit.state.parts, strict=True):
        k = int(max(0.0, from_s - window.start_s) * window.rate_hz)
        total += float((detrend(window.samples, window.nuisance)[:, k:] ** 2).sum())
        left += float(((part.residual / window.weight)[:, k:] ** 2).sum())
    return float(10.0 * np.log10(total / left)) if left > 0 and total > 0 else None
