"""The blend of two microphones on the page, from an uploaded take of two channels to its sound."""

from __future__ import annotations

import io

import numpy as np
import soundfile

RATE = 48000
LATER_S = 0.0014


def recording() -> bytes:
    """One strike at two microphones; the second hears it 1.4 ms later and turned over."""
    t = np.arange(3 * RATE) / RATE
    rng = np.random.default_rng(3)
    click = rng.normal(0, 1, round(0.006 * RATE)) * np.exp(-np.arange(round(0.006 * RATE)) / (0.002 * RATE))
    def at(when):
        ring = sum(a * np.exp(-np.maximum(t - when, 0) / d) * np.sin(2 * np.pi * f * (t - when))
                   for f, d, a in ((45, 0.4, 0.3), (78, 0.3, 0.15), (99, 0.25, 0.1)))
        out = np.where(t >= when, ring, 0.0)
        i = round(when * RATE)
        out[i:i + len(click)] += 0.2 * click
        return out
    x = np.column_stack([at(0.5), -at(0.5 + round(LATER_S * RATE) / RATE)]) + rng.normal(0, 1e-5, (len(t), 2))
    file = io.BytesIO()
    soundfile.write(file, 0.8 * x / np.abs(x).max(), RATE, format="WAV", subtype="PCM_24")
    return file.getvalue()


def test_delay_and_polarity_are_told_and_the_mended_blend_is_louder(fresh, multipart):
    body, kind = multipart({"channels": "seat,front"}, {"recording": ("two.wav", recording())})
    assert fresh("POST", "/drums/1/takes", body=body, content_type=kind).status == 303
    text = fresh("GET", "/drums/1/microphones").text
    assert "The front hears 1.40 ms later" in text
    assert "turned over" in text
    sounds = {}
    for mend in ("0", "1"):
        answer = fresh("GET", f"/drums/1/states/4/blend.wav?a=seat&b=front&mend={mend}")
        assert answer.headers["content-type"] == "audio/wav"
        sounds[mend] = soundfile.read(io.BytesIO(answer.body))[0]
    assert np.sum(sounds["1"] ** 2) > 4 * np.sum(sounds["0"] ** 2)
    assert fresh("GET", "/drums/1/states/4/blend.wav?a=seat&b=seat").status == 400
    assert fresh("GET", "/drums/1/states/4/blend.wav?a=seat&b=moon").status == 400
    assert "No blend" in fresh("GET", "/drums/1/microphones?a=seat&b=seat").text
