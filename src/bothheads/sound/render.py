"""The sound of decaying partials at given places, from the first touch of the push onwards."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

_FINE = 256  # samples of the fine grid: exp(s t) = coarse x fine, so that two small tables replace n x K exponentials
_STEPS = 256  # steps of a force that are summed at once
_FULL_SCALE_DB = -1.0  # peak of the answer, dB re full scale


def render_partials(
    poles: NDArray[np.complex128],
    amplitudes: NDArray[np.complex128],
    *,
    sample_rate_hz: int = 48000,
    seconds: float = 2.0,
    push_s: float = 0.006,
    delays_s: tuple[float, ...] | None = None,
) -> tuple[NDArray[np.float64], float]:
    """Pressure p(t) = Re sum_k A_k exp(s_k (t - push)) after a raised-cosine push, peak at -1 dBFS.

    Parameters
    ----------
    poles : complex, shape (K,)
        s_k = -1/tau + 2 pi i f [1/s].
    amplitudes : complex, shape (K, P)
        Amplitude at the END of the push, per place [Pa].
    sample_rate_hz : 8000 to 192000
    seconds : length [s], up to 60
    push_s : duration of the push [s]; during it each partial is driven by sin^2(pi t / push)
    delays_s : travel time to each place [s], default none

    Returns
    -------
    samples : float64, shape (n, P)
        Peak at -1 dBFS over all places together; the places keep their level differences.
    gain_db : float
        Gain applied [dB], 0 dB = 1 Pa at full scale.
    """
    n = int(round(seconds * sample_rate_hz))
    places = amplitudes.shape[1]
    out = np.zeros((n, places))
    for p in range(places):
        begin = 0 if delays_s is None else int(round(delays_s[p] * sample_rate_hz))
        length = n - begin
        if length > 0:
            out[begin:, p] = _one_place(poles, amplitudes[:, p], length, sample_rate_hz, push_s)
    return _at_full_scale(out)


def render_force(
    poles: NDArray[np.complex128],
    responses: NDArray[np.complex128],
    force: NDArray[np.float64],
    step_s: float,
    *,
    delays_s: tuple[float, ...],
    ends: tuple[int, ...],
    places: int,
    sample_rate_hz: int = 48000,
    seconds: float = 2.0,
) -> tuple[NDArray[np.float64], float]:
    """Pressure p(t) = Re sum_k A_k int_0^t F(u) exp(s_k (t - u)) du along every path, summed where the paths end.

    Parameters
    ----------
    poles : complex, shape (K,)
    responses : complex, shape (K, Q)
        Pressure after a unit impulse, per path, without its travel [Pa/(N s)].
    force : shape (n,)
        Force [N], held over each step of ``step_s`` [s]; the integral is exact for it.
    delays_s : travel time of each path [s], kept to the nearest sample
    ends : place (0 to ``places`` - 1) where each path ends
    sample_rate_hz, seconds : as in ``render_partials``

    Returns
    -------
    samples : float64, shape (n, places)
        Peak at -1 dBFS over all places together.
    gain_db : float
        Gain applied [dB], 0 dB = 1 Pa at full scale.
    """
    n = int(round(seconds * sample_rate_hz))
    out = np.zeros((n, places))
    first = min(n, int(np.ceil(len(force) * step_s * sample_rate_hz)))
    pushed = under_force(poles, force, step_s, np.arange(first + 1) / sample_rate_hz)
    fine = np.exp(np.outer(poles, np.arange(_FINE) / sample_rate_hz))
    coarse = np.exp(np.outer(np.arange(-(-(n - first) // _FINE)) * _FINE / sample_rate_hz, poles))
    for path, (delay, end) in enumerate(zip(delays_s, ends, strict=True)):
        begin = int(round(delay * sample_rate_hz))
        a = responses[:, path]
        late = coarse * (a * pushed[-1])
        ring = (late.real @ fine.real - late.imag @ fine.imag).ravel()
        whole = np.concatenate([np.real(pushed[:first] @ a), ring])[: max(n - begin, 0)]
        out[begin:begin + len(whole), end] += whole
    return _at_full_scale(out)


def under_force(
    poles: NDArray[np.complex128], force: NDArray[np.float64], step_s: float, times: NDArray[np.float64]
) -> NDArray[np.complex128]:
    """int_0^t F(u) exp(s (t - u)) du [N s] at ``times`` (T,) >= 0 for a force held over each step, (T, K). Exact."""
    states = [np.zeros((1, len(poles)), complex)]
    grow = np.exp(np.outer(np.arange(1, _STEPS + 1) * step_s, poles))
    gain = np.expm1(poles * step_s) / poles
    for i in range(0, len(force), _STEPS):
        piece = force[i:i + _STEPS, None]
        carried = grow[: len(piece)]
        states.append(carried * (states[-1][-1] + np.cumsum(piece * (gain / carried), axis=0)))
    at = np.concatenate(states)
    index = np.minimum(np.floor(times / step_s + 1e-6).astype(int), len(force))
    beyond = np.maximum(times - index * step_s, 0.0)
    if beyond.max(initial=0.0) < 1e-6 * step_s:
        return np.asarray(at[index])
    on = np.exp(np.outer(beyond, poles))
    return np.asarray(on * at[index] + (on - 1) / poles * np.append(force, 0.0)[index, None])


def _at_full_scale(out: NDArray[np.float64]) -> tuple[NDArray[np.float64], float]:
    """Peak over all places at -1 dBFS, and the gain [dB] that this took."""
    peak = float(np.abs(out).max(initial=0.0))
    gain = 10 ** (_FULL_SCALE_DB / 20) / peak if peak > 0 else 1.0
    return out * gain, float(20 * np.log10(gain))


def _one_place(
    poles: NDArray[np.complex128], amplitude: NDArray[np.complex128], n: int, rate: int, push: float
) -> NDArray[np.float64]:
    first = min(n, int(np.ceil(push * rate)))
    out = np.empty(n)
    t = np.arange(first) / rate
    out[:first] = np.real(_driven(poles, t, push) @ amplitude)
    rest = n - first
    if rest <= 0:
        return out
    blocks = -(-rest // _FINE)
    start = first / rate - push
    coarse = np.exp(np.outer(start + np.arange(blocks) * _FINE / rate, poles)) * amplitude
    fine = np.exp(np.outer(poles, np.arange(_FINE) / rate))
    out[first:] = np.real(coarse @ fine).ravel()[:rest]
    return out


def _driven(s: NDArray[np.complex128], t: NDArray[np.float64], push: float) -> NDArray[np.complex128]:
    """Part of the final amplitude that a raised-cosine push has built up by time t, shape (n, K).

    Ratio of int_0^t f(u) exp(s (t - u)) du to int_0^push f(u) exp(s (push - u)) du, f = (1 - cos wu)/2.
    """
    w = 2 * np.pi / push

    def built(x: Any) -> Any:
        e = np.exp(x * s)
        flat = (e - 1) / s
        turning = (s * (e - np.cos(w * x)) + w * np.sin(w * x)) / (s * s + w * w)
        return 0.5 * (flat - turning)

    answer: NDArray[np.complex128] = built(t[:, None]) / built(push)
    return answer
