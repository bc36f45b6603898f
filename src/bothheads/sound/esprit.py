"""Subspace start: frequencies and decays of all windows together from the signal space of their Hankel matrices."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def esprit(segments: Sequence[Array], order: int, rate_hz: float, length: int) -> tuple[Array, Array]:
    """(frequencies [Hz], decay rates [1/s]) of ``order`` poles shared by all ``segments``.

    Least-squares ESPRIT (Roy & Kailath 1989) on the summed covariance of the segments' Hankel matrices with
    rows of ``length`` samples; growing poles come back with negative rates, both signs of frequency are kept.
    """
    from scipy.linalg import eigh

    covariance = hankel_covariance([y for y in segments if len(y) > 1.5 * length], length)
    order = min(order, length - 1)
    _, vectors = eigh(covariance, subset_by_index=[length - order, length - 1], check_finite=False)
    shift = np.linalg.lstsq(vectors[:-1], vectors[1:], rcond=None)[0]
    poles = np.linalg.eigvals(shift)
    return np.angle(poles) * rate_hz / (2.0 * np.pi), -np.log(np.abs(poles) + 1e-12) * rate_hz


def hankel_covariance(segments: Sequence[Array], length: int) -> Array:
    """Sum over segments of H^T H, H the Hankel matrix with rows of ``length`` samples.

    C[i+1, j+1] = C[i, j] + y[M+i] y[M+j] - y[i] y[j] with M rows: O(length^2) instead of O(M length^2).
    """
    first = np.zeros(length)
    enter = np.zeros((len(segments), length - 1))
    leave = np.zeros((len(segments), length - 1))
    for n, y in enumerate(segments):
        rows = len(y) - length + 1
        first += np.correlate(y, y[:rows], "valid")
        enter[n], leave[n] = y[rows : rows + length - 1], y[: length - 1]
    step = enter.T @ enter - leave.T @ leave
    C = np.empty((length, length))
    C[0] = C[:, 0] = first
    for i in range(length - 1):
        C[i + 1, 1:] = C[i, :-1] + step[i]
    return C
