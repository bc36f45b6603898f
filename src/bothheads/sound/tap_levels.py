"""Levels of the lines at each tap as squared shapes of the modes there, whether the microphone followed the tap or stood.

A microphone held over each tap hears a mode with its squared shape at the tap: all taps of a line are in phase. One that
stands hears the shape at the tap times what it gets of the mode: signs turn from lobe to lobe. Then each line's squared
amplitude is taken against its own mean over the head: both components of a pair have the same mean there.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from .tap_lines import Lines

_FAINT = 0.004  # of the loudest line's rms over the taps
_HIGHEST_HZ = 260.0  # above it, an onset half a millisecond off turns phases too far
_LEAST_TAPS = 5


def microphone_stood(lines: Lines) -> bool:
    """True when the signs of the lines turn round the head."""
    own = lines.own
    if len(own) < _LEAST_TAPS:
        return False
    weight = np.abs(own)
    loud = weight.mean(0) > 0.03 * weight.mean(0).max()
    low = loud & (lines.frequency_hz < max(_HIGHEST_HZ, float(np.sort(lines.frequency_hz[loud])[: 6].max(initial=0.0))))
    if not low.any():
        return False
    unit = own[:, low] / np.maximum(weight[:, low], 1e-30)
    weight = weight[:, low]
    alike = np.abs((unit * weight).sum(0)) / weight.sum(0)
    doubled = np.abs((unit**2 * weight).sum(0)) / weight.sum(0)
    told = doubled > 0.6
    if not told.any():
        return False
    share = weight.sum(0)[told]
    return bool((share @ (alike[told] < 0.6)) > 0.5 * share.sum())


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
