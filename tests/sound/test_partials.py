"""One strike against its Cramer-Rao bound: a seeded twentieth of bench/synthetic.py."""

from __future__ import annotations

from functools import cache
from types import SimpleNamespace

import numpy as np
import pytest

from bothheads.sound.partials import StrikeFit, fit_strike
from bothheads.sound.reading import read_spans
from synthetic import ONSET_S, RATE, Truth, strike

CELLS = {
    "plain": {}, "pair": {"pair": True}, "glide": {"glide": 0.06}, "pink and hum": {"pink": 0.7, "hum": True},
}
CASES = 8


@cache
def results(cell: str, snr: int) -> list[tuple[Truth, StrikeFit | None]]:
    out = []
    for i in range(CASES):
        rng = np.random.default_rng([7, i, snr, list(CELLS).index(cell)])
        truth = strike(rng, snr_db=snr, **CELLS[cell])  # type: ignore[arg-type]
        out.append((truth, fit_strike(truth.samples, RATE, ONSET_S, len(truth.samples) / RATE)))
    return out


def scores(cell: str, snr: int) -> tuple[np.ndarray, int, int]:
    """(rows of (f error / bound, f error / bar, rate error / bound), missed, phantoms)."""
    rows, missed, phantoms = [], 0, 0
    for truth, fit in results(cell, snr):
        f = np.zeros(0) if fit is None else fit.frequency_hz
        sd_f, sd_a = truth.bound()
        for k in np.nonzero(sd_f < 0.15)[0]:
            if truth.hum_hz and np.abs(truth.f[k] - truth.hum_hz * np.arange(1, 4)).min() < 1.0:
                continue  # the hum's frequency is not known to the bound's assumption
            near = np.abs(f - truth.f[k])
            if not near.size or near.min() > 2.0:
                missed += 1
                continue
            j = int(np.argmin(near))
            assert fit is not None
            rows.append(((f[j] - truth.f[k]) / sd_f[k], (f[j] - truth.f[k]) / fit.frequency_sd_hz[j],
                         (fit.rate[j] - 1 / truth.tau[k]) / sd_a[k]))
        phantoms += sum(bool(np.abs(truth.f - x).min() > 2.0) for x in f)
    return np.array(rows), missed, phantoms


@pytest.mark.parametrize("snr", (40, 60))
@pytest.mark.parametrize("cell", list(CELLS))
def test_errors_reach_the_bound(cell: str, snr: int) -> None:
    rows, missed, phantoms = scores(cell, snr)
    assert missed == 0
    assert phantoms <= 1
    limit = 1.0 + 3.0 / np.sqrt(2 * len(rows)) + 0.1  # 1.1 x the bound, three sd of an rms of so few
    assert np.sqrt((rows[:, 0] ** 2).mean()) < limit
    assert np.sqrt((rows[:, 2] ** 2).mean()) < limit


def test_bars_cover() -> None:
    z = np.concatenate([scores(cell, 40)[0][:, 1] for cell in CELLS])
    covered = (np.abs(z) < 1.96).mean()
    assert 0.95 - 3 * np.sqrt(0.05 * 0.95 / len(z)) - 0.02 < covered <= 1.0


def test_glide_is_the_difference_between_right_and_wrong() -> None:
    for truth, fit in results("glide", 60):
        if fit is None or truth.glide < 0.01:
            continue
        plain = fit_strike(truth.samples, RATE, ONSET_S, len(truth.samples) / RATE, glide=False)
        assert plain is not None
        k = int(np.argmin(truth.bound()[0]))
        with_glide = np.abs(fit.frequency_hz - truth.f[k]).min()
        without = np.abs(plain.frequency_hz - truth.f[k]).min()
        assert with_glide < 0.3 * without


def test_gain_changes_nothing() -> None:
    truth, fit = results("plain", 40)[0]
    other = fit_strike(0.003 * truth.samples, RATE, ONSET_S, len(truth.samples) / RATE)
    assert fit is not None and other is not None
    assert np.allclose(np.sort(fit.frequency_hz), np.sort(other.frequency_hz), rtol=1e-9)
    assert np.allclose(np.sort(other.amplitudes), np.sort(0.003 * fit.amplitudes), rtol=1e-6)


def test_noise_alone_has_no_partials() -> None:
    rng = np.random.default_rng(5)
    for _ in range(5):
        noise = 0.01 * rng.standard_normal((int(2.5 * RATE), 1))
        assert fit_strike(noise, RATE, ONSET_S, 2.5) is None


def test_two_channels_are_one_fit() -> None:
    truth = strike(np.random.default_rng(11), snr_db=40, channels=2)
    fit = fit_strike(truth.samples, RATE, ONSET_S, len(truth.samples) / RATE)
    assert fit is not None
    assert fit.amplitudes.shape == (2, len(fit.frequency_hz))
    for k in np.nonzero(truth.bound()[0] < 0.15)[0]:
        j = int(np.argmin(np.abs(fit.frequency_hz - truth.f[k])))
        assert np.allclose(fit.amplitudes[:, j], truth.amplitude[:, k], rtol=0.2)


def test_one_strike_that_the_plain_fit_explains_down_to_the_noise_is_read_by_it() -> None:
    """A freer clock would only make it less sure: the same frequencies as the first reading, bars no narrower than its own."""
    truth = strike(np.random.default_rng([3, 40]), snr_db=40)
    span = SimpleNamespace(onset_s=ONSET_S, end_s=len(truth.samples) / RATE, peak_dbfs=(0.0,), delay_s=(0.0,))
    first, whole = (read_spans(truth.samples, RATE, [span], quick=quick) for quick in (True, False))
    assert first is not None and whole is not None
    assert whole.frequency_hz == pytest.approx(first.frequency_hz, rel=1e-9)
    assert (whole.frequency_sd_hz > 0.999999 * first.frequency_sd_hz).all()
