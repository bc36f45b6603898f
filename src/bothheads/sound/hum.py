"""Lines that are no part of the strike: mains hum and whatever else went on before it as it goes on after it."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray

from .residual import fisher, misfit
from .varpro import JointFit
from .window import Window, drift_and_hum

Array = NDArray[np.float64]
MAINS_HZ = (50.0, 60.0)
WIDER = 1.5  # than its level in the pause: standard deviation of a line's amplitude about zero
_MULTIPLES = 8
_UNDER_STRONGEST_DB = 20.0  # a line at a mains frequency that is louder than this is a partial unless a pause says hum


def steady_lines(
    fit: JointFit, before: Callable[[float], tuple[Array, Array] | None], unit: Array
) -> dict[float, float]:
    """Frequencies [Hz] among the partials of ``fit`` that do not belong to the strike, each with its level in windows' units.

    ``before(f)``: amplitude and its standard deviation (channels,) of a line at f [Hz] in the pause before the strike,
    in full scale, None without a pause; ``unit`` (channels,): full scale of one unit of the windows. A partial that
    decays slowly is steady when the pause holds it at half its level or more; at a multiple of the mains also where no
    pause can tell, it is weak and its decay agrees with none. Mains lines come back as their exact multiples.
    """
    window, part = fit.windows[0], fit.state.parts[0]
    middle = window.start_s + 0.3 * window.samples.shape[1] / window.rate_hz
    start = np.abs(part.amplitudes) * np.exp(-fit.a * window.start_s)
    under = 20.0 * np.log10(start.max() / np.maximum(start.max(axis=0), 1e-30))
    sf, sa = fisher(fit)
    mis = misfit(fit)
    out: dict[float, float] = {}
    for k in np.nonzero(fit.a < 4.0)[0]:
        c = int(np.argmax(start[:, k]))
        level = float(np.abs(part.amplitudes[c, k]) * np.exp(-fit.a[k] * middle) * unit[c])
        mains = mains_line(float(fit.f[k]), float(3.0 * sf[k] * mis[k]))
        seen = before(float(fit.f[k]) if mains is None else mains)
        steady = False
        if seen is not None:
            line, sd = float(seen[0][c]), float(seen[1][c])
            steady = line > 0.5 * level and line > (3.5 if mains is None else 2.0) * sd
        if mains is not None and (seen is None or level < 3.0 * float(seen[1][c])):
            steady |= under[k] > _UNDER_STRONGEST_DB and fit.a[k] < 0.8 + 2.0 * sa[k] * mis[k]
        if steady:
            out[float(fit.f[k]) if mains is None else mains] = level / float(unit[c])
    return out


def mains_line(f: float, within_hz: float) -> float | None:
    """The multiple of 50 or 60 Hz that f [Hz] is within 0.2 Hz a multiple (at most 1 Hz) or ``within_hz`` (at most 1.5)."""
    best = None
    for base in MAINS_HZ:
        m = round(f / base)
        off = abs(f - m * base)
        if 1 <= m <= _MULTIPLES and off < max(min(0.2 * m, 1.0), min(within_hz, 1.5)) and (best is None or off < best[0]):
            best = (off, m * base)
    return None if best is None else best[1]


def beside(window: Window, lines: Mapping[float, float]) -> Window:
    """The window with further lines [Hz], each with the level it was read at, among its nuisance."""
    new = {f: WIDER * level for f, level in lines.items() if f not in window.hum_hz}
    hum, sd = (*window.hum_hz, *new), (*window.hum_sd, *new.values())
    nuisance = drift_and_hum(window.start_s, window.samples.shape[1], window.rate_hz, hum)
    return Window(window.rate_hz, window.start_s, window.samples, nuisance, window.weight, hum, sd)
