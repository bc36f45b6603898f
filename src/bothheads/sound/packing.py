"""Samples packed for keeping: 24-bit integers, loud sources halved, many channels folded; undone to the bit."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_FULL_24 = 1 << 23
_FLAC_CHANNELS = 8  # the format's own limit; more are folded behind one another


def integers(samples: NDArray[Any], scale: float = 1.0) -> NDArray[np.int32]:
    """24-bit integers in the upper bits of int32; 16- and 24-bit sources come back exactly."""
    x = np.asarray(samples, float)
    x = x[:, None] if x.ndim == 1 else x
    whole = np.rint(x * (scale * _FULL_24)).clip(-_FULL_24, _FULL_24 - 1).astype(np.int32)
    return np.ascontiguousarray(whole << 8)


def packed(samples: NDArray[Any]) -> tuple[NDArray[np.int32], str]:
    """(integers (n, at most 8), comment that undoes the packing, empty when there is nothing to undo).

    Louder than full scale: halved as often as needed. More than eight channels: groups of eight behind one another.
    """
    x = np.atleast_2d(np.asarray(samples, float).T).T
    n, channels = x.shape
    peak = float(np.abs(x).max(initial=0.0))
    halvings = max(0, int(np.ceil(np.log2(peak)))) if peak > 1.0 else 0
    groups = -(-channels // _FLAC_CHANNELS)
    if groups > 1:
        padded = np.zeros((n, groups * _FLAC_CHANNELS))
        padded[:, :channels] = x
        x = np.concatenate(np.split(padded, groups, axis=1))
    comment = f"halvings={halvings} channels={channels}" if halvings or groups > 1 else ""
    return integers(x, 0.5**halvings), comment


def unpacked(x: Array, comment: str) -> Array:
    """Samples (n, channels) from the kept ones and the file's comment."""
    words = dict(part.split("=", 1) for part in comment.split() if "=" in part)
    channels = int(words.get("channels", str(x.shape[1])))
    if channels > x.shape[1]:
        groups = -(-channels // x.shape[1])
        x = np.ascontiguousarray(np.concatenate(np.split(x, groups), axis=1)[:, :channels])
    out: Array = x * 2.0 ** int(words.get("halvings", "0"))
    return out
