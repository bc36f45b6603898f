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

    covariance = np.zeros((length, length))
    for y in segments:
        if len(y) > length:
            rows = np.lib.stride_tricks.sliding_window_view(y, length)
            covariance += rows.T @ rows
    order = min(order, length - 1)
    _, vectors = eigh(covariance, subset_by_index=[length - order, length - 1], check_finite=False)
    shift = np.linalg.lstsq(vectors[:-1], vectors[1:], rcond=None)[0]
    poles = np.linalg.eigvals(shift)
    return np.angle(poles) * rate_hz / (2.0 * np.pi), -np.log(np.abs(poles) + 1e-12) * rate_hz
