"""How even a head is, learned from rounds of taps and known turns: one Gaussian filter over pull and gains.

x = [e_p at the rods (N) | g_p, change of e_p per eighth of a turn pattern (N/2 + 1) | an offset per family of pitch and of
level]. A turn z (eighths) moves e_p by g_p z_p, with the hands' scatter as process noise: linear, as z is known. Offsets
absorb mean tension, air and microphone. Even harmonics are heard in pitches, odd ones from the third up in levels, a
tilt (p = 1) in nothing: it is carried along by known turns and never estimated.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..physics.uneven import Family
from ..records import Air, Head, TapReading
from .rod_data import CENTS, PITCH_SD, WIDE, stack, widths
from .rod_model import LEVELS, PITCHES, HeadSize, RodModel, rod_basis, rod_model, tension_from_pitch
from .rod_names import families_of

Array = NDArray[np.float64]

HAND_SD = 0.15  # of a turn, relative: what hands do against what was asked (assumed)
STRENGTH_SD = 3.0  # ln, how hard a tap was: unknown
_UNKNOWN = 9.0  # variance of an offset
_GAIN_SD, _EACH_SD = 0.45, 0.15  # of the prior gains, common and each
_KEPT_SD = 0.20  # of gains learned in an earlier session
_ROUNDS = 8


@dataclass(frozen=True)
class RodCents:
    """A number per rod [cents], away from the mean over the rods, with its standard deviation."""

    cents: tuple[float, ...]
    sd: tuple[float, ...]

    @property
    def spread(self) -> float:
        """Largest minus smallest [cents]."""
        return max(self.cents) - min(self.cents)


@dataclass(frozen=True)
class RodState:
    """What is known of one head's pull at its rods; every method gives a new state."""

    size: HeadSize
    tension: float | None = None  # N/m, mean at the first reading: e is measured against it
    x: tuple[float, ...] = ()
    covariance: tuple[tuple[float, ...], ...] = ()
    readings: int = 0
    heard_hz: tuple[float, ...] | None = None  # (1,1) at each rod, of the last reading, None after turns
    heard_sd_hz: tuple[float, ...] | None = None
    turned: tuple[float, ...] = ()  # eighths since the last reading
    notes: tuple[str, ...] = ()
    kept_gains: tuple[tuple[float, ...], tuple[float, ...]] | None = None  # per-turn N/m per harmonic, and relative sd

    # -------------------------------------------------------------- life of a state
    @classmethod
    def start(cls, head: Head, *, radius: float, depth: float | None, air: Air | None = None) -> RodState:
        """Nothing known yet. ``radius`` and ``depth`` [m]; ``depth`` None: the other head is off, not held."""
        if head.rods < 3:
            raise InputError("a head needs three rods or more to be evened out.")
        return cls(HeadSize(head.rods, radius, head.surface_density, depth, air or Air()))

    def next_session(self) -> RodState:
        """The same head on another day: its gains stay (sd at least 20 %), its pull is to be read anew."""
        return replace(RodState(self.size), kept_gains=self._gains_to_keep())

    def after_reading(self, reading: TapReading) -> RodState:
        """Learn from a round of taps, one per rod in order.

        Raises
        ------
        InputError
            When the round was refused or does not have one tap for each rod.
        """
        if reading.refused or reading.pair_hz is None:
            raise InputError(reading.refused or "this round of taps has no (1,1) pair: tap again with the other head held.")
        if len(reading.taps) != self.size.rods:
            raise InputError(f"this head has {self.size.rods} rods, the round has {len(reading.taps)} taps.")
        heard = [t.rod_pitch_hz if t.rod_pitch_hz is not None else float("nan") for t in reading.taps]
        if np.isfinite(heard).sum() < max(3, self.size.rods - 2):
            raise InputError("too few taps of this round have a rod pitch: tap again, once near each rod.")
        sd = [max(t.sd_hz or 0.0, 0.0006 * f) for t, f in zip(reading.taps, heard, strict=True)]
        state = self if self._follows(heard) else self.next_session()
        if state is not self:
            state = replace(state, notes=("the pitch moved by more than the known turns explain: read as a new start",))
        tension = state.tension or tension_from_pitch(self.size, float(np.nanmean(heard)))
        model = rod_model(self.size, tension)
        first = state.after_families(families_of(reading, model, state.harmonics), tension=tension, pitch_sd=sd)
        again = state.after_families(families_of(reading, model, first.harmonics), tension=tension, pitch_sd=sd)
        full = bool(np.isfinite(heard).all())
        return replace(again, heard_hz=tuple(heard) if full else None, heard_sd_hz=tuple(sd) if full else None)

    def after_families(self, said: Mapping[Family, tuple[Array, Array]], *, tension: float | None = None,
                       pitch_sd: Sequence[float] | None = None) -> RodState:
        """Learn from F [Hz] and P (squared shape, any unit) of each family at each rod; NaN and missing say nothing.

        ``tension``: mean pull [N/m] to start from, else from the pitch of (1,1); ``pitch_sd`` [Hz] of (1,1).
        """
        if self.tension is None:
            tension = tension or tension_from_pitch(self.size, float(np.nanmean(said[1, 1][0])))
            ready = replace(self, tension=tension)._first()
            width = widths(*ready._learn(said, pitch_sd, 4)._arrays(), ready.size.rods)
            return ready._with_prior(width)._learn(said, pitch_sd, _ROUNDS)
        return self._learn(said, pitch_sd, _ROUNDS)

    def after_turns(self, turns: Sequence[float] | Mapping[int, float]) -> RodState:
        """Known turns [eighths, plus = tighter], a number per rod or a mapping from rod (from 1)."""
        rods = self.size.rods
        z = np.zeros(rods)
        pairs = turns.items() if isinstance(turns, Mapping) else enumerate(turns, 1)
        for rod, amount in pairs:
            if not 1 <= rod <= rods:
                raise InputError(f"this head has {rods} rods: there is no rod {rod}.")
            z[rod - 1] = amount
        if self.tension is None or not z.any():
            return self
        _, inverse, p = rod_basis(rods)
        x, S = self._arrays()
        F = np.eye(len(x))
        F[np.arange(rods), rods + p] += inverse @ z
        x, S = F @ x, F @ S @ F.T
        V = inverse @ self.effect()
        S[:rods, :rods] += (V * (HAND_SD * z) ** 2) @ V.T
        turned = tuple((np.array(self.turned or np.zeros(rods)) + z).tolist())
        return replace(self._with(x, S), heard_hz=None, heard_sd_hz=None, turned=turned)

    # -------------------------------------------------------------- what it says
    @property
    def harmonics(self) -> Array:
        """e (N,): mean, cos, sin, .. of the pull at the rods, relative to the mean at the first reading."""
        return np.array(self.x[: self.size.rods]) if self.x else np.zeros(self.size.rods)

    def film_cents(self) -> RodCents:
        """Local pitch 600 log2(pull / mean) at each rod, TILT LEFT OUT: no tap can tell it."""
        D, _, p = rod_basis(self.size.rods)
        keep = p > 1
        local = D[:, keep] @ self.harmonics[keep]
        _, S = self._arrays()
        cover = D[:, keep] @ S[: self.size.rods, : self.size.rods][np.ix_(keep, keep)] @ D[:, keep].T
        cents = 600.0 * np.log2(np.maximum(1.0 + local, 0.2))
        return RodCents(tuple((cents - cents.mean()).tolist()),
                        tuple((0.5 * CENTS * np.sqrt(np.maximum(cover.diagonal(), 0.0))).tolist()))

    def heard_cents(self) -> RodCents:
        """(1,1) pitch at each rod: as read last, or as foretold after turns."""
        if self.heard_hz is not None and self.heard_sd_hz is not None:
            heard = np.log(self.heard_hz)
            sd = np.array(self.heard_sd_hz) / np.array(self.heard_hz)
        else:
            model = self._model()
            heard = model.says(self.harmonics)[0][0]
            A = model.slope[: self.size.rods]
            _, S = self._arrays()
            A = A - A.mean(0)
            sd = np.sqrt(np.maximum((A @ S[: self.size.rods, : self.size.rods] @ A.T).diagonal(), 0.0))
        cents = CENTS * (heard - heard.mean())
        return RodCents(tuple(cents.tolist()), tuple((CENTS * sd).tolist()))

    def mean_cents(self) -> tuple[float, float]:
        """Mean pitch against the first reading [cents], and its sd."""
        _, S = self._arrays()
        return 600.0 * float(np.log2(max(1.0 + self.harmonics[0], 0.2))), 0.5 * CENTS * sqrt(max(S[0, 0], 0.0))

    def effect(self) -> Array:
        """Pull at the rods (N, N), relative, per eighth of each rod, from the gains as learned."""
        D, inverse, p = rod_basis(self.size.rods)
        return np.asarray(D @ (self.gains()[0][p][:, None] * inverse))

    def gains(self) -> tuple[Array, Array]:
        """g_p per eighth, p = 0..N/2, and their covariance."""
        x, S = self._arrays()
        part = slice(self.size.rods, self.size.rods + self._model().harmonics)
        return x[part], S[part, part]

    # -------------------------------------------------------------- the log
    def to_dict(self) -> dict[str, Any]:
        """Plain values for the log; ``from_dict`` gives the state back."""
        s = self.size
        return {"schema": "bothheads.rods/1", "rods": s.rods, "radius_m": s.radius, "surface_density": s.surface_density,
                "depth_m": s.depth, "speed_of_sound": s.air.speed_of_sound, "density": s.air.density,
                "tension": self.tension, "x": list(self.x), "covariance": [list(r) for r in self.covariance],
                "readings": self.readings, "heard_hz": None if self.heard_hz is None else list(self.heard_hz),
                "heard_sd_hz": None if self.heard_sd_hz is None else list(self.heard_sd_hz),
                "turned": list(self.turned), "notes": list(self.notes),
                "kept_gains": None if self.kept_gains is None else [list(v) for v in self.kept_gains]}

    @classmethod
    def from_dict(cls, d: Mapping[str, Any]) -> RodState:
        """The state kept by ``to_dict``; InputError when it is something else."""
        if d.get("schema") != "bothheads.rods/1":
            raise InputError("what is kept of this head's rods is of another version: tap a new round.")
        air = Air(speed_of_sound=d["speed_of_sound"], density=d["density"])
        size = HeadSize(d["rods"], d["radius_m"], d["surface_density"], d["depth_m"], air)
        kept = d.get("kept_gains")
        return cls(size, d["tension"], tuple(d["x"]), tuple(tuple(r) for r in d["covariance"]), d["readings"],
                   None if d["heard_hz"] is None else tuple(d["heard_hz"]),
                   None if d["heard_sd_hz"] is None else tuple(d["heard_sd_hz"]), tuple(d["turned"]), tuple(d["notes"]),
                   None if kept is None else (tuple(kept[0]), tuple(kept[1])))

    # -------------------------------------------------------------- inside
    def _model(self) -> RodModel:
        if self.tension is None:
            raise InputError("nothing was read of this head yet: tap a round first.")
        return rod_model(self.size, self.tension)

    def _arrays(self) -> tuple[Array, Array]:
        if not self.x:
            raise InputError("nothing was read of this head yet: tap a round first.")
        return np.array(self.x), np.array(self.covariance)

    def _with(self, x: Array, S: Array) -> RodState:
        return replace(self, x=tuple(x.tolist()), covariance=tuple(map(tuple, (0.5 * (S + S.T)).tolist())))

    def _first(self) -> RodState:
        """Prior: harmonics wide, gains of a usual mount (or as kept), offsets unknown."""
        model, rods = self._model(), self.size.rods
        P = model.harmonics
        size = rods + P + len(PITCHES) + len(LEVELS)
        x, S = np.zeros(size), np.zeros((size, size))
        part = slice(rods, rods + P)
        if self.kept_gains is not None:
            g = np.array(self.kept_gains[0]) / model.tension
            S[part, part] = np.diag((np.array(self.kept_gains[1]) * g) ** 2)
        else:
            g = model.gains.copy()
            S[part, part] = _GAIN_SD**2 * np.outer(g, g) + np.diag((_EACH_SD * g) ** 2)
            g[1] *= 0.6  # whether the rim slips is not known: a slipping one takes no tilt
            S[rods + 1, rods + 1] += (0.4 * model.gains[1]) ** 2
        x[part] = g
        S[range(rods + P, size), range(rods + P, size)] = _UNKNOWN
        return self._with(x, S)._with_prior(np.full(rods, WIDE))

    def _with_prior(self, width: Array) -> RodState:
        """Prior sd ``width`` (N,) of the harmonics; the mean is the reference and known."""
        x, S = self._arrays()
        rods = self.size.rods
        S[0, 0] = 1e-8
        S[range(1, rods), range(1, rods)] = width[1:] ** 2
        return self._with(x, S)

    def _gains_to_keep(self) -> tuple[tuple[float, ...], tuple[float, ...]] | None:
        if self.tension is None:
            return self.kept_gains
        g, C = self.gains()
        sd = np.maximum(np.sqrt(C.diagonal()) / np.maximum(np.abs(g), 1e-9), _KEPT_SD)
        return tuple((g * self.tension).tolist()), tuple(np.minimum(sd, 1.0).tolist())

    def _follows(self, heard: Sequence[float]) -> bool:
        """Whether the mean pitch is where the known turns put it, within 4 sd and 10 cents."""
        if self.tension is None:
            return True
        x, S = self._arrays()
        offset = self.size.rods + self._model().harmonics
        foretold = self._model().says(self.harmonics)[0][0].mean() + x[offset]
        sd = sqrt(max(0.25 * S[0, 0], 0.0) + PITCH_SD**2)
        return bool(abs(float(np.nanmean(np.log(heard))) - foretold) < max(4.0 * sd, 10.0 / CENTS))

    def _learn(self, said: Mapping[Family, tuple[Array, Array]], pitch_sd: Sequence[float] | None, rounds: int) -> RodState:
        model, rods = self._model(), self.size.rods
        y, R, strength = stack(said, rods, pitch_sd)
        ok = np.isfinite(y)
        A0 = np.hstack([np.zeros((len(y), rods + model.harmonics)),
                        np.kron(np.eye(len(PITCHES) + len(LEVELS)), np.ones((rods, 1)))])
        A = A0.copy()
        A[:, :rods] = model.slope
        A, A0, y, R, strength = A[ok], A0[ok], y[ok], R[ok], strength[ok]
        shared = STRENGTH_SD**2 * strength @ strength.T
        x0, S = self._arrays()
        x, trust = x0, R
        gain: Array = np.zeros((len(x), len(y)))
        for _ in range(rounds):
            said_now = model.stacked(x[:rods])[ok] + A0 @ x
            gain = np.asarray(np.linalg.solve(A @ S @ A.T + np.diag(trust) + shared, A @ S).T)
            x = x0 + gain @ (y - said_now - A @ (x0 - x))
            left = y - model.stacked(x[:rods])[ok] - A0 @ x
            left = left - strength @ (strength.T @ (left / R) / np.maximum(strength.T @ (1.0 / R), 1e-12))
            trust = R * np.maximum(1.0, np.abs(left) / np.sqrt(R) / 2.5) ** 2  # distrust what does not fit
        return replace(self._with(x, np.asarray(S - gain @ A @ S)), readings=self.readings + 1, turned=())
