"""What a phone does to a take: coding, low cut, gain control, clipped peaks, 16 bit; used by tests and by bench/phone.py.

Only the coding needs PyAV (a test dependency); the rest is NumPy and SciPy.
"""

from __future__ import annotations

import io
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def coded(samples: Array, rate: int, *, codec: str = "aac", container: str = "ipod", bits_per_s: int = 96000) -> bytes:
    """``samples`` (n, channels) as the contents of a file: m4a ('ipod'), raw AAC ('adts'), WebM ('webm')."""
    import av

    out = io.BytesIO()
    with av.open(out, "w", format=container) as file:
        stream: Any = file.add_stream(codec, rate=rate, layout="mono" if samples.shape[1] == 1 else "stereo")
        stream.bit_rate = bits_per_s
        frame = av.AudioFrame.from_ndarray(np.ascontiguousarray(samples.T.astype(np.float32)), format="fltp",
                                           layout=stream.layout.name)
        frame.sample_rate = rate
        shape = av.AudioResampler(format=stream.format.name, layout=stream.layout.name, rate=rate)
        line = av.AudioFifo()
        for piece in shape.resample(frame):
            piece.pts = None
            line.write(piece)
        while (piece := line.read(stream.codec_context.frame_size or 1024, True)) is not None:
            for packet in stream.encode(piece):
                file.mux(packet)
        for packet in stream.encode(None):
            file.mux(packet)
    return out.getvalue()


def low_cut(samples: Array, rate: int, *, hz: float = 80.0, order: int = 2) -> Array:
    """Butterworth high pass, causal: a phone's microphone and its rumble filter."""
    from scipy.signal import butter, sosfilt

    out: Array = np.asarray(sosfilt(butter(order, hz, "highpass", fs=rate, output="sos"), samples, axis=0))
    return out


def gain_control(
    samples: Array, rate: int, *, threshold_db: float = -30.0, ratio: float = 3.0, attack_s: float = 0.010,
    release_s: float = 0.300, most_db: float = 20.0, makeup_db: float = 0.0,
) -> Array:
    """Feed-forward compressor on the peak level of all channels: one-pole attack and release on the gain in decibels.

    Above ``threshold_db`` (full scale 0) the level rises by 1/``ratio`` dB per dB; at most ``most_db`` are taken off.
    """
    step = max(1, rate // 2000)  # the gain moves in ms: a 0.5 ms grid carries it
    n = len(samples) // step * step
    peak = np.abs(samples[:n]).max(axis=1).reshape(-1, step).max(axis=1)
    over = np.maximum(0.0, 20.0 * np.log10(np.maximum(peak, 1e-7)) - threshold_db)
    wanted = np.minimum(most_db, over * (1.0 - 1.0 / ratio))
    rise, fall = (1.0 - np.exp(-step / rate / s) for s in (attack_s, release_s))
    gain, now = np.empty(len(wanted)), 0.0
    for i, w in enumerate(wanted):
        now += (rise if w > now else fall) * (w - now)
        gain[i] = now
    at = (np.arange(len(gain)) + 1.0) * step
    db = makeup_db - np.interp(np.arange(len(samples)), at, gain)
    return samples * (10.0 ** (db / 20.0))[:, None]


def clipped(samples: Array, over_db: float = 6.0) -> Array:
    """Driven ``over_db`` beyond full scale and cut off there."""
    return np.clip(samples / np.abs(samples).max() * 10.0 ** (over_db / 20.0), -1.0, 1.0)


def sixteen_bit(samples: Array) -> Array:
    """Rounded to 16 bit."""
    out: Array = np.rint(np.clip(samples, -1.0, 1.0) * 32767.0) / 32767.0
    return out
