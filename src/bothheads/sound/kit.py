"""Several drums on one interface: every strike goes to the drum that was struck; bleed is not a strike."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..records import Drum, Reading
from .reading import read_samples
from .strikes import StrikeSpan, find_strikes

Array = NDArray[np.float64]

TOGETHER_S = 0.030  # strikes in two channels nearer than this may be one strike and its bleed
_BLEED_DB = 6.0  # bleed is at least this much weaker than in the drum's own channel, against that channel's usual strike


def assign_strikes(
    samples: NDArray[Any], sample_rate_hz: int, owners: Sequence[str]
) -> dict[str, tuple[StrikeSpan, ...]]:
    """Strikes of every drum in a recording (n, channels); ``owners``: the drum that each channel belongs to.

    Every drum's channels are searched alone. Of rises in several drums within 30 ms the earliest and strongest, each
    measured against its own drum's usual strikes, is the strike; the others are strikes of their own only when they
    come within 6 dB of their drum's usual.
    """
    x = np.asarray(samples, float)
    x = x[:, None] if x.ndim == 1 else x
    if len(owners) != x.shape[1]:
        raise ValueError(f"{x.shape[1]} channels need as many drums, not {len(owners)}")
    found: dict[str, list[StrikeSpan]] = {}
    for name in dict.fromkeys(owners):
        mine = [i for i, owner in enumerate(owners) if owner == name]
        found[name] = list(find_strikes(x[:, mine], sample_rate_hz))
    usual = {name: _usual_db(spans) for name, spans in found.items()}
    return {name: tuple(s for s in spans if _is_own(name, s, found, usual)) for name, spans in found.items()}


def _usual_db(spans: Sequence[StrikeSpan]) -> float:
    """The level of a drum's own strikes [dBFS]: the upper quartile of all its rises, bleed included."""
    peaks = sorted(max(s.peak_dbfs) for s in spans)
    return peaks[(3 * len(peaks)) // 4] if peaks else 0.0


def _is_own(name: str, span: StrikeSpan, found: Mapping[str, Sequence[StrikeSpan]], usual: Mapping[str, float]) -> bool:
    """False when another drum was struck at the same moment and this is its bleed."""
    mine = max(span.peak_dbfs)
    for other, spans in found.items():
        if other == name:
            continue
        for rival in spans:
            if abs(rival.onset_s - span.onset_s) > TOGETHER_S:
                continue
            theirs = max(rival.peak_dbfs)
            weaker_here = (mine - usual[name]) < (theirs - usual[other]) - _BLEED_DB
            if weaker_here or (mine < theirs - _BLEED_DB and rival.onset_s < span.onset_s):
                return False
    return True


def read_kit(
    samples: NDArray[Any], sample_rate_hz: int, owners: Sequence[str], *, drums: Mapping[str, Drum | None] | None = None,
    offset_s: float = 0.0, quick: bool = False,
) -> dict[str, Reading]:
    """One reading a drum, each from its own channels and its own strikes."""
    x = np.asarray(samples, float)
    x = x[:, None] if x.ndim == 1 else x
    strikes = assign_strikes(x, sample_rate_hz, owners)
    out = {}
    for name, spans in strikes.items():
        mine = [i for i, owner in enumerate(owners) if owner == name]
        names = (name,) if len(mine) == 1 else tuple(f"{name}{k + 1}" for k in range(len(mine)))
        out[name] = read_samples(x[:, mine], sample_rate_hz, channels=names, drum=(drums or {}).get(name), quick=quick,
                                 offset_s=offset_s, spans=spans)
    return out
