"""Levels of the lines at each tap as squared shapes of the modes there, whether the microphone followed the tap or stood.

A microphone held over each tap hears a mode with its squared shape at the tap: all taps of a line are in phase. One that
stands hears the shape at the tap times what it gets of the mode: signs turn from lobe to lobe. Then each line's squared
amplitude is taken against its own mean over the head: both components of a pair have the same mean there.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from .tap_lines import Lines

Array = NDArray[np.float64]

_FAINT = 0.004  # of the loudest line's rms over the taps
_LEAST_TAPS = 5


def microphone_stood(lines: Lines) -> bool:
    """True when the signs of the lines turn round the head: a tenth or more of what rings is upside down beside the rest."""
    own = lines.own
    if len(own) < _LEAST_TAPS:
        return False
    reference = own[int((np.abs(own) ** 2).sum(1).argmax())]
    turned = total = 0.0
    for tap in own:
        beside = tap * reference.conj()
        late = _lateness(beside, lines.frequency_hz)
        sign = (beside * np.exp(-2j * np.pi * lines.frequency_hz * late)).real
        turned += min(float(-sign[sign < 0].sum()), float(sign[sign > 0].sum()))
        total += float(np.abs(sign).sum())
    return turned > 0.1 * total


def _lateness(beside: NDArray[np.complex128], f: Array) -> float:
    """Time [s] by which one tap's onset was set early against another: lines in step, signs left free."""
    late = np.linspace(-0.0025, 0.0025, 251)
    square = beside**2 / np.maximum(np.abs(beside), 1e-30)
    return float(late[int((np.exp(-4j * np.pi * np.outer(late, f)) @ square).real.argmax())])


def with_levels(lines: Lines) -> tuple[Lines, bool]:
    """(Lines whose ``amplitude`` is proportional to squared shapes at the taps, whether the microphone stood)."""
    if not microphone_stood(lines):
        return lines, False
    rms = np.sqrt((lines.amplitude**2).mean(0))
    keep = rms > _FAINT * rms.max()
    power = lines.amplitude[:, keep] ** 2
    for _ in range(4):  # strength of a tap and gain of a line, one after the other
        strength = (power / power.mean(0)).mean(1)
        power = power / strength[:, None]
    return replace(
        lines, frequency_hz=lines.frequency_hz[keep], frequency_sd_hz=lines.frequency_sd_hz[keep], rate=lines.rate[keep],
        own=lines.own[:, keep], amplitude=power / power.mean(0)), True
