"""What are a drum's two heads doing? Both tensions with their spread and the rival explanations, from readings.

``prepare`` does once for a drum what does not depend on tensions (transfer to where the microphones may have stood),
``fit_heads`` explains readings: every partial a mode or foreign, both swapped pairs weighed, levels with the places
open, the difference of nearly equal heads given its true width.
"""

from __future__ import annotations

import io
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..physics.batch import BatchDrum
from ..physics.coupled import is_mixed
from ..physics.radiation import radiation
from ..records import Alternative, Drum, Fit, HeadFit, HeadName, Microphone, Reading, TapReading
from ..sound.standing import no_drum
from .evidence import TO_HEADS, Explanation, explain
from .heard import gather, is_inside, usable_channels
from .identify import fit_pairs, loudest_is_foreign, mode_numbers
from .model import DrumModel
from .scenes import Hearing, Scenes, draw
from .scoring import DEFAULT, Assumed, Heard, Prior, Weighed, wide_prior
from .search import WARM, climb, highest_of, refine
from .taps import with_taps
from .whole import SEARCH_F_SD, WholeDrum, climb_whole, full_assumed, numbers, search_assumed

Array = NDArray[np.float64]

VERSION = 1
FEWEST = 4  # explained partials below which the answer is refused
SURE = 0.9  # odds from which an answer counts as identified
WIDE = 0.06  # relative sd of a tension above which it does not


# ------------------------------------------------------------------ what is kept per drum and place
@dataclass(frozen=True, eq=False)
class Setup:
    """Scenes and transfer functions of one drum shape with its microphones and strike; does not hold tensions."""

    shape: str  # what it was made for
    names: tuple[str, ...]  # channels with levels, in order
    scenes: Scenes
    travel: Array
    table: Array

    def to_bytes(self) -> bytes:
        """This set-up as bytes for keeping; ``from_bytes`` gives it back."""
        out = io.BytesIO()
        head = json.dumps({"version": VERSION, "shape": self.shape, "names": self.names,
                           "channels": self.scenes.channels})
        np.savez(out, head=np.array(head), points=self.scenes.points, hits=self.scenes.hits,
                 reflection=self.scenes.reflection, travel=self.travel, table=self.table.astype(np.float32))
        return out.getvalue()

    @classmethod
    def from_bytes(cls, data: bytes) -> Setup:
        """A kept set-up; ValueError when the bytes are not one, or were written by another version."""
        try:
            with np.load(io.BytesIO(data), allow_pickle=False) as kept:
                head = json.loads(str(kept["head"]))
                arrays = {k: kept[k].astype(float) for k in ("points", "hits", "reflection", "travel", "table")}
            if head["version"] != VERSION:
                raise ValueError("another version")
            scenes = Scenes(arrays["points"], arrays["hits"], arrays["reflection"], int(head["channels"]))
            return cls(head["shape"], tuple(head["names"]), scenes, arrays["travel"], arrays["table"])
        except Exception as error:
            raise ValueError("these bytes are not a set-up of this version") from error


def shape_of(drum: Drum, places: Sequence[Microphone | None]) -> str:
    """Everything a set-up depends on, as text."""
    s, a = drum.strike, drum.air
    where = [None if p is None else (p.x, p.y, p.z) for p in places]
    return json.dumps([drum.diameter, drum.depth, drum.resonant is None, s.x, s.y, a.speed_of_sound, where])


def prepare(drum: Drum, places: tuple[Microphone, ...]) -> Setup:
    """What fits of this drum with microphones at ``places`` share: drawn scenes and their transfer functions.

    Microphones inside the drum are left out: their levels are not used.
    """
    outside = tuple(p for p in places if not is_inside(drum, p))
    return _prepare(drum, tuple(p.name for p in outside), outside)


def _prepare(drum: Drum, names: tuple[str, ...], places: Sequence[Microphone | None]) -> Setup:
    scenes = draw(drum, places)
    a = drum.radius
    r = np.hypot(scenes.points[:, 0], scenes.points[:, 1]) / a
    z = (scenes.points[:, 2] - drum.depth / 2) / a
    travel, table = np.zeros(0), np.zeros((0, 0, 0, 0, 0))
    if len(r):
        travel, table = radiation(drum.depth / a).transfer(tuple(r.tolist()), tuple(z.tolist()), 5)
    return Setup(shape_of(drum, places), names, scenes, travel, table)


def _setup_for(drum: Drum, names: tuple[str, ...], placed: bool, setup: Setup | None) -> Setup | None:
    """The set-up to use: the given one when it fits, else a new one; None without a channel that helps."""
    if not names:
        return None
    by_name = {p.name: p for p in drum.places}
    places: list[Microphone | None] = [by_name[n] if placed else None for n in names]
    if setup is not None and setup.names == names and setup.shape == shape_of(drum, places):
        return setup
    return _prepare(drum, names, places)


# ------------------------------------------------------------------ priors
@dataclass(frozen=True, eq=False)
class HeadsPrior:
    """What is known before the reading, of (u, d, ln film mass of batter, of resonant against the drum's nominal).

    u = mean ln tension, d = ln Tb - ln Tr. From the last state: its answer, widened by what may have happened since.
    """

    mean: tuple[float, float, float, float]
    cov: tuple[tuple[float, ...], ...]  # 4 x 4

    @classmethod
    def of_fit(cls, fit: Fit, drum: Drum, *, drift_sd: float = 0.02) -> HeadsPrior:
        """The last fit of this drum as prior: what it says of films is kept, tensions may have moved by ``drift_sd``.

        ValueError when the fit has no answer.
        """
        if fit.batter is None or fit.log_cov is None:
            raise ValueError("a refused fit says nothing about the next state")
        resonant = fit.resonant or fit.batter
        logs = np.log([fit.batter.tension, resonant.tension])
        film = [_film_shift(fit.batter, drum.batter.surface_density),
                _film_shift(resonant, (drum.resonant or drum.batter).surface_density)]
        cov = np.zeros((4, 4))
        total = np.array(fit.log_cov)
        own = np.eye(2) * ((fit.change_sd or 0.02) ** 2 / 2)
        heads = np.linalg.inv(TO_HEADS)
        cov[:2, :2] = total + drift_sd**2 * heads @ heads.T
        # tension goes as film mass at fixed pitch: what the films leave open is common to both
        share = np.clip(np.linalg.eigvalsh(TO_HEADS @ total @ TO_HEADS.T - own), 1e-5, None).mean()
        cov[2:, 2:] = np.eye(2) * share
        cov[:2, 2:] = 0.95 * heads * share
        cov[2:, :2] = cov[:2, 2:].T
        return cls((float(logs.mean()), float(logs[0] - logs[1]), film[0], film[1]), tuple(map(tuple, cov.tolist())))


def _film_shift(head: HeadFit, nominal: float) -> float:
    return float(np.log((head.surface_density or nominal) / nominal))


def _with(prior: Prior, known: HeadsPrior | None) -> Prior:
    """The wide prior with its first four unknowns replaced by what is known."""
    if known is None:
        return prior
    mean, precision = prior.mean.copy(), prior.precision.copy()
    cov = np.array(known.cov) + 1e-10 * np.eye(4)
    films = np.linalg.inv(np.array(prior.precision[2:4, 2:4]))
    wide = np.linalg.eigvalsh(cov)
    if wide.min() <= 0:
        cov = np.diag(np.concatenate([np.diag(cov)[:2], np.diag(films)]))
    mean[:4] = known.mean
    precision[:4, :4] = np.linalg.inv(cov)
    return Prior(mean, precision, prior.free)


# ------------------------------------------------------------------ the fit
def fit_heads(drum: Drum, readings: Sequence[Reading], *, setup: Setup | None = None,
              prior: HeadsPrior | None = None, taps: Mapping[HeadName, TapReading] | None = None) -> Fit:
    """Tensions of both heads from one or several readings of one state.

    A tension written in the drum file is not used; ``prior`` is, and so are rounds of ``taps`` of this state, each with
    the other head held. An answer that should not be trusted comes back
    whole with ``refused`` saying why.
    """
    channels = usable_channels(drum, readings)
    if readings and all(no_drum(r) for r in readings):
        return _nothing(readings[0].note.refused or "", channels.warnings)
    readings = [r for r in readings if not no_drum(r)]
    if drum.wires_on:
        return _nothing("snare wires are on: switch them off and strike again.", channels.warnings)
    heard = gather(drum, readings, channels.names)
    if not len(heard):
        return _nothing("no partial was read below the range that is followed: strike again and let it ring.",
                        channels.warnings)
    used = _setup_for(drum, channels.names, channels.placed, setup)
    model = drum_model(drum, used)
    start = with_taps(_with(wide_prior(drum, model.assumed), prior), drum, taps or {})
    extra = [start.mean] if prior is not None or taps else []
    whole = _whole(drum, used) if is_mixed(drum) else None
    states = climb(model, heard, start, extra) if whole is None else climb_whole(whole, model, heard, start, extra)
    found = explain(model, heard, start, states, scan=whole is None)
    best = found[0].best
    names = mode_numbers(model, best.x) if whole is None else numbers(whole, best.x, highest_of(heard))
    return _record(drum, model, heard, start, found, names, channels.warnings)


def _whole(drum: Drum, setup: Setup | None) -> WholeDrum:
    if setup is None:
        return WholeDrum(drum, None, np.zeros(0), np.zeros(0), full_assumed(DEFAULT))
    return WholeDrum(drum, setup.scenes, setup.travel, setup.table, full_assumed(DEFAULT))


def drum_model(drum: Drum, setup: Setup | None, assumed: Assumed = DEFAULT) -> DrumModel:
    """The drum as the search sees it."""
    batch = BatchDrum(drum)
    hearing = None if setup is None else Hearing(drum, batch, setup.scenes, setup.travel, setup.table)
    resonant = drum.resonant or drum.batter
    mixed = is_mixed(drum)
    low, high = SEARCH_F_SD if mixed else (assumed.frequency_sd, np.hypot(assumed.frequency_sd, assumed.uneven_sd))
    f_sd = np.where(batch.order > 0, high, low)
    assumed = search_assumed(assumed) if mixed else assumed
    return DrumModel(batch, hearing, (drum.batter.surface_density, resonant.surface_density), f_sd, assumed, mixed)


def _nothing(reason: str, warnings: tuple[str, ...]) -> Fit:
    return Fit(None, None, 0.0, (), (), False, reason, warnings=warnings)


def _record(drum: Drum, model: DrumModel, heard: Heard, prior: Prior, found: list[Explanation],
            names: list[tuple[int | None, int | None]], warnings: tuple[str, ...]) -> Fit:
    main = found[0]
    best = main.best
    batter, resonant = _heads(drum, model, main)
    sd = main.log_sd if drum.resonant is not None else main.log_sd[:1]
    explained = len(best.rows)
    refused = _refusal(heard, best)
    own = TO_HEADS @ main.own_cov @ TO_HEADS.T
    change = float(np.sqrt(2 * np.mean(np.diag(own)[: len(sd)])))
    identifiable = refused is None and main.odds >= SURE and bool(sd.max() < WIDE) and explained >= FEWEST
    rivals = [Alternative(*_heads(drum, model, e), odds=e.odds) for e in found[1:6]]
    if drum.resonant is not None and not rivals:
        rivals = [_swapped(drum, model, heard, prior, main)]
    left = sum(a.odds for a in rivals)
    rivals = [replace(a, odds=a.odds * (1 - main.odds) / left) for a in rivals] if left > 0 else rivals
    cov = main.cov
    return Fit(batter, resonant, main.odds, tuple(rivals), fit_pairs(heard, best, names),
               identifiable, refused, ((float(cov[0, 0]), float(cov[0, 1])), (float(cov[1, 0]), float(cov[1, 1]))),
               change, float(np.exp(best.x[6])), warnings)


def _refusal(heard: Heard, best: Weighed) -> str | None:
    explained = len(best.rows)
    if explained < FEWEST:
        return (f"only {explained} of {len(heard)} partials are explained by this drum, four are needed: "
                "check the drum's sizes and films, or strike again and let it ring.")
    if loudest_is_foreign(heard, best):
        return ("the loudest partial is none of this drum's: check the drum's sizes and films, or record away from "
                "other drums.")
    return None


def _heads(drum: Drum, model: DrumModel, e: Explanation) -> tuple[HeadFit, HeadFit | None]:
    tension, sd = np.exp(e.log_tensions), e.log_sd
    film = np.array(model.film) * np.exp(e.film)
    loss = np.exp(e.best.x[4:6])
    pitch = head_pitches(drum, tension, film)
    out = [HeadFit(float(tension[i]), float(tension[i] * sd[i]), pitch.get(name), float(film[i]), float(loss[i]))
           for i, name in ((0, "batter"), (1, "resonant"))]
    return out[0], (None if drum.resonant is None else out[1])


def head_pitches(drum: Drum, tension: Array, film: Array) -> dict[str, float]:
    """Pitch [Hz] of each head, (0,1) with the other held still, at the given tensions and film masses."""
    from ..physics.coupled import build, solve_round

    plain = replace(drum, muffling=()).with_head("batter", tension=float(tension[0]), surface_density=float(film[0]))
    names: list[tuple[HeadName, HeadName | None]] = [("batter", None)]
    if drum.resonant is not None:
        plain = plain.with_head("resonant", tension=float(tension[1]), surface_density=float(film[1]), opening=None)
        names = [("batter", "resonant"), ("resonant", "batter")]
    fmax = 1.5 * float(np.sqrt((tension / film).max())) / drum.diameter + 60.0
    system = build(plain, fmax)
    out: dict[str, float] = {}
    for name, held in names:
        modes = solve_round(system, fmax, held=held)
        low = [float(f) for f, m in zip(modes.frequency_hz, modes.order, strict=True) if m == 0 and f > 3.0]
        if low:
            out[name] = low[0]
    return out


def _swapped(drum: Drum, model: DrumModel, heard: Heard, prior: Prior, main: Explanation) -> Alternative:
    """The swapped pair as the rival that always exists, climbed from the mirror image of the answer."""
    x = main.best.x.copy()
    x[1] = 2 * model.mirror - x[1]
    w = refine(model.pictures, heard, x[None], [main.best.gain], prior, model.assumed, rounds=3, gate=WARM)[0]
    e = Explanation(1.0 - main.odds, w.x[:2], w.cov[:2, :2], w.cov[:2, :2], w.x[2:4], w)
    return Alternative(*_heads(drum, model, e), odds=1.0 - main.odds)
