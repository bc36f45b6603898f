"""Two states of one drum differ: what explains it, with odds.

Every cause is a linear Gaussian model of the change y = (d ln f, d ln tau, d level per channel) over the
partials that both readings share: y ~ N(G mu, G S G' + R). G holds the exact slopes of the drum (what a head's
tension, a loss, warmer air does to each partial), S how large such a change usually is, R the noise. Marginal
likelihood times prior odds, the prior raised by what the log says was done. A wide model that explains
anything a little stands for 'cannot tell'.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import exp, log, sqrt

import numpy as np
from numpy.typing import NDArray

from ..constants import TENSION_PER_TURN
from ..records import HEADS, Cause, HeadName, State
from .change import Pairs, pair_up
from .history import even_turns, head_or_none, new_heads, visits
from .slopes import SLOPE_SD

Array = NDArray[np.float64]

LEVEL_NOISE = 1.5  # dB, likewise
GAIN_SD = 20.0  # dB, a channel's own gain is never the same twice
TENSION_SD = 0.07  # ln T, an unnoted change of a head
SETTLED, SETTLED_SD = -0.015, 0.012  # ln T of both heads
FILM_PER_KELVIN = 0.0008  # ln T of both heads per kelvin, sd; sign not known beforehand
KELVINS = 8.0  # sd of an unnoted change of temperature
# prior odds before the log is asked, common practice, no source
PRIOR: dict[str, float] = {
    "nothing": 0.20, "batter": 0.12, "resonant": 0.10, "both": 0.08, "settling": 0.10, "muffling": 0.10,
    "air": 0.06, "strike": 0.10, "microphone": 0.10, "cannot tell": 0.04,
}


# ------------------------------------------------------------------ models of a change
@dataclass
class Story:
    """One cause: columns G (rows, k), mean and sd of their sizes, and extra sds of pitch, decay and level."""

    columns: list[Array] = field(default_factory=list)
    mean: list[float] = field(default_factory=list)
    sd: list[float] = field(default_factory=list)
    pitch_extra: float = 0.0
    decay_extra: float = 0.0
    level_own: float = 0.0  # dB per partial and channel
    level_shared: float = 0.0  # dB per partial, all channels alike

    def add(self, column: Array, mean: float, sd: float) -> None:
        """One more degree of freedom."""
        self.columns.append(column)
        self.mean.append(mean)
        self.sd.append(sd)


def _column(pairs: Pairs, pitch: Array, decay: Array) -> Array:
    return np.concatenate([pitch, decay, np.zeros(pairs.level.size)])


def _head_column(pairs: Pairs, index: int) -> Array:
    return _column(pairs, np.array([r.pitch_slope[index] for r in pairs.rungs]),
                   np.array([r.decay_slope[index] for r in pairs.rungs]))


def _turned(b: State, head: HeadName) -> tuple[float, float]:
    """Expected change of ln T by the turns noted in state b, and its sd; (0, TENSION_SD) without any."""
    found = head_or_none(b, head)
    if found is None:
        return 0.0, 1e-6
    turns, variance = even_turns(b.turns, head, found.rods)
    if turns == 0.0:
        return 0.0, TENSION_SD
    step = TENSION_PER_TURN * turns / (found.tension or 500.0)
    return step, sqrt((step * SLOPE_SD) ** 2 + variance + 0.02**2)


def _stories(a: State, b: State, pairs: Pairs, warmer: float | None) -> dict[str, Story]:
    out = {name: Story() for name in PRIOR}
    fresh = new_heads(b)
    for name, heads in (("batter", (0,)), ("resonant", (1,)), ("both", (0, 1))):
        for i in heads:
            mean, sd = _turned(b, HEADS[i])
            out[name].add(_head_column(pairs, i), mean, 0.3 if fresh[i] else sd)
        out[name].level_own, out[name].decay_extra = 4.0, 0.05
    both = _head_column(pairs, 0) + _head_column(pairs, 1)
    out["settling"].add(both, SETTLED, SETTLED_SD)
    out["settling"].add(_head_column(pairs, 0) - _head_column(pairs, 1), 0.0, 0.004)
    kelvins, unsure = (0.0, KELVINS) if warmer is None else (warmer, 2.0)
    out["air"].add(_column(pairs, pairs.air[:, 0], pairs.air[:, 1]), kelvins, unsure)
    out["air"].add(both, 0.0, FILM_PER_KELVIN * max(abs(kelvins), unsure))
    for i in (0, 1):
        losses = np.array([r.loss_slope[i] for r in pairs.rungs])
        out["muffling"].add(_column(pairs, np.zeros(pairs.count), losses), 0.0, 1.2)
    out["muffling"].pitch_extra, out["muffling"].decay_extra = 0.006, 0.35
    out["muffling"].level_own = 3.0
    out["strike"].level_shared, out["strike"].pitch_extra = 5.0, 0.0008
    out["microphone"].level_own = 5.0
    wide = out["cannot tell"]
    wide.pitch_extra, wide.decay_extra, wide.level_own, wide.level_shared = 0.03, 0.3, 4.0, 3.0
    return out


def _likelihood(pairs: Pairs, story: Story) -> tuple[float, Array]:
    """ln p(y | story) and the posterior means of the story's own sizes."""
    n, channels = pairs.level.shape
    y = np.concatenate([pairs.pitch, pairs.decay, pairs.level.T.ravel()])
    noise = np.concatenate([pairs.pitch_sd**2 + story.pitch_extra**2, pairs.decay_sd**2 + story.decay_extra**2,
                            np.full(n * channels, LEVEL_NOISE**2 + story.level_own**2)])
    cov = np.diag(noise)
    for c in range(channels):
        rows = slice(2 * n + c * n, 2 * n + (c + 1) * n)
        cov[rows, rows] += GAIN_SD**2
    for c in range(channels):
        for d in range(channels):
            i = np.arange(n)
            cov[2 * n + c * n + i, 2 * n + d * n + i] += story.level_shared**2
    heard = np.isfinite(y)
    mean = np.zeros(len(y))
    if story.columns:
        G, size = np.column_stack(story.columns), np.diag(np.square(story.sd))
        mean, cov = G @ np.array(story.mean), cov + G @ size @ G.T
    gap, total = (y - mean)[heard], cov[np.ix_(heard, heard)]
    solved = np.linalg.solve(total, gap)
    value = -0.5 * float(gap @ solved) - 0.5 * float(np.linalg.slogdet(2 * np.pi * total)[1])
    if not story.columns:
        return value, np.zeros(0)
    return value, np.array(story.mean) + size @ G[heard].T @ solved


# ------------------------------------------------------------------ what the log says
def _noted(a: State, b: State, days: float, warmer: float | None) -> dict[str, float]:
    """Factors on the prior odds from what was written down between two states."""
    factor = dict.fromkeys(PRIOR, 1.0)
    turned = [any(t.head == h and t.turns for t in b.turns) for h in HEADS]
    fresh = new_heads(b)
    moved = [t or f for t, f in zip(turned, fresh, strict=True)]
    if moved[0] and moved[1]:
        factor["both"] *= 60.0
    elif moved[0] or moved[1]:
        factor["batter" if moved[0] else "resonant"] *= 40.0
        factor["both"] *= 4.0
    if any(moved):
        factor["nothing"] *= 0.1
    if a.drum.muffling != b.drum.muffling or _said(a, b, "muffling", "pad", "strip", "pillow"):
        factor["muffling"] *= 40.0
    if (a.drum.strike != b.drum.strike) or a.beater != b.beater or a.who != b.who:
        factor["strike"] *= 10.0
    if a.drum.microphones != b.drum.microphones or _said(a, b, "microphone", "mic"):
        factor["microphone"] *= 15.0
    if a.place != b.place:
        factor["microphone"] *= 3.0
        factor["air"] *= 2.0
    if days >= 0.5 and not any(moved):
        factor["settling"] *= 2.0
        factor["air"] *= 1.5
    if warmer is not None:
        factor["air"] *= 6.0 if abs(warmer) >= 3.0 else 0.2
    if any(t.turns > 0 for t in a.turns) or any(new_heads(a)):
        factor["settling"] *= 3.0
    return factor


def _said(a: State, b: State, *words: str) -> bool:
    """Whether a setting about one of ``words`` differs, or the later remark names one."""
    keys = {k for k in {*a.settings, *b.settings} if any(w in k.lower() for w in words)}
    return any(a.settings.get(k) != b.settings.get(k) for k in keys) or any(w in b.remark.lower() for w in words)


def _words(name: str, sizes: Array, pairs: Pairs, single: bool) -> str:
    def percent(x: float) -> str:
        return f"{abs(100 * (exp(x) - 1)):.0f} % {'tighter' if x > 0 else 'slacker'}"

    if name in ("batter", "resonant"):
        return f"the {name} head about {percent(float(sizes[0]))} explains the partials that moved"
    if name == "both":
        return f"the batter about {percent(float(sizes[0]))} and the resonant head {percent(float(sizes[1]))}"
    if name == "settling":
        return f"both heads settled together, about {percent(float(sizes[0]))}"
    if name == "air":
        kelvins = float(sizes[0])
        return f"air about {abs(kelvins):.0f} K {'warmer' if kelvins > 0 else 'colder'}, with what film does in it"
    if name == "muffling":
        shorter = float(np.mean(pairs.decay)) < 0
        length, what = ("shorter", "touches") if shorter else ("longer", "left")
        return f"tails {length} while pitches stay: something {what} a head"
    if name == "strike":
        tail = "; with one channel this cannot be told from the microphone's place" if single else ""
        return f"levels moved alike in all channels, pitches and tails stayed: another strike point or strength{tail}"
    if name == "microphone":
        tail = "; with one channel this cannot be told from the strike" if single else ""
        return f"levels moved channel by channel, pitches and tails stayed: a microphone moved{tail}"
    if name == "nothing":
        return "no change beyond what two readings of the same drum differ by"
    return "no single cause listed here explains the change"


def explain(a: State, b: State, *, between: tuple[State, ...] = ()) -> tuple[Cause, ...]:
    """Causes of the change from state ``a`` to the later state ``b`` of one drum, most likely first; odds sum to 1.

    ``between`` are states of the same drum between the two, whose turns count as done too. Without readings,
    or with fewer than two shared partials, nearly all odds go to 'cannot tell'.
    """
    if between:
        turns = tuple(t for s in between for t in s.turns) + b.turns
        b = replace(b, turns=turns)
    step = visits([replace(a, number=1), replace(b, number=2)])[1]
    warmer = step.warmer if step.warmer_known else None
    factor = _noted(a, b, step.days, warmer)
    if b.drum.resonant is None:
        factor["resonant"] = factor["both"] = 1e-9
    pairs = pair_up(a, b)
    prior = {name: PRIOR[name] * factor[name] for name in PRIOR}
    if pairs is None or pairs.count < 2:
        known = sum(v for k, v in prior.items() if k != "cannot tell")
        odds = {k: 0.15 * v / known for k, v in prior.items()} | {"cannot tell": 0.85}
        reason = "too few partials in common, or no tensions to compare by"
        return _sorted([Cause(k, v, reason if k == "cannot tell" else "only what the log says speaks for it")
                        for k, v in odds.items()])
    stories = _stories(a, b, pairs, warmer)
    found = {name: _likelihood(pairs, story) for name, story in stories.items()}
    score = {name: log(prior[name]) + found[name][0] * TEMPER for name in PRIOR}
    top = max(score.values())
    weight = {name: exp(value - top) for name, value in score.items()}
    total = sum(weight.values())
    single = pairs.level.shape[1] == 1
    return _sorted([Cause(name, weight[name] / total, _words(name, found[name][1], pairs, single)) for name in PRIOR])


TEMPER = 0.7  # the models are rough and their partials not independent: evidence counts a little less


def _sorted(causes: list[Cause]) -> tuple[Cause, ...]:
    """Most likely first, no odds above .99 for one cause, sum 1."""
    causes = sorted(causes, key=lambda c: -c.odds)
    if causes[0].odds > 0.99:
        spare = causes[0].odds - 0.99
        causes[0] = replace(causes[0], odds=0.99)
        causes = [replace(c, odds=c.odds + spare) if c.what == "cannot tell" else c for c in causes]
        if causes[0].what == "cannot tell":
            causes[0] = replace(causes[0], odds=causes[0].odds)
    total = sum(c.odds for c in causes)
    return tuple(sorted((replace(c, odds=c.odds / total) for c in causes), key=lambda c: -c.odds))
