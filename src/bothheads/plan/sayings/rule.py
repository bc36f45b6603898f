"""From comparisons to a verdict, by declared numbers and never by hand.

holds: as said on at least 80 % of the comparisons. holds when: not so, but one condition on one quantity, the one that
parts the finding half best, picks at least a quarter of its comparisons, of which at least 90 % are as said, and on the
other half of the drums, which did not choose it, at least 80 % are, 35 points more than outside it. not found: neither.
cannot tell: the model has no say, or fewer than eight comparisons bear on it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import log

import numpy as np

from .drums import Specimen
from .record import Claim, Heard, Judged, Trial, Verdict

HOLDS = 0.8
INSIDE, CONFIRMED, COVER = 0.9, 0.8, 0.25
MARGIN = 0.35  # of share as said, inside the condition over outside it: one that says little does not count
PARTLY = 0.1  # a smaller share is not told
FEWEST = 8  # comparisons, and half of it within a condition on each half of the drums
LOGGED_FEWEST = 5  # comparisons in a log before it may overrule
RULE = (
    f"Holds: as said on at least {100 * HOLDS:.0f} % of the comparisons. Holds when: one condition on one quantity, the one that "
    f"parts half of the drums best, picks at least {100 * COVER:.0f} % of their comparisons with at least {100 * INSIDE:.0f} % of "
    f"them as said, and on the other half, which did not choose it, at least {100 * CONFIRMED:.0f} % are as said and "
    f"{100 * MARGIN:.0f} points more than outside it (of sayings true of drums at random, 0 to 3 in a hundred are given a "
    "condition). Not found: neither; what the model says instead is told. Cannot tell: the model has no say, too few drums bear on "
    f"it, or at least {LOGGED_FEWEST} logged comparisons contradict the model on {100 * HOLDS:.0f} % of them."
)

# quantity -> (words for 'at least', words for 'at most'); {} takes the number
FEATURES: dict[str, tuple[str, str]] = {
    "bass": ("the drum is a bass drum", "the drum is a tom"),
    "diameter_in": ("the diameter is {} in or more", "the diameter is {} in or less"),
    "depth_in": ("the depth is {} in or more", "the depth is {} in or less"),
    "shape": ("the depth is {} of the diameter or more", "the depth is {} of the diameter or less"),
    "note_hz": ("the note is {} Hz or higher", "the note is {} Hz or lower"),
    "tension": ("the batter has {} N/m or more", "the batter has {} N/m or less"),
    "relation": ("the resonant head is {} times as tight as the batter, per film mass, or more",
                 "the resonant head is {} times as tight as the batter, per film mass, or less"),
    "film_mil": ("the batter's film is {} mil or thicker", "the batter's film is {} mil or thinner"),
    "loss": ("the heads lose {} N s/m3 or more (mean)", "the heads lose {} N s/m3 or less (mean)"),
    "opening_in": ("the opening is {} in or wider", "the opening is {} in or narrower"),
    "touch": ("what touches weighs {} kg/m2 or more", "what touches weighs {} kg/m2 or less"),
    "gain": ("a whole turn adds {} N/m or more", "a whole turn adds {} N/m or less"),
    "grams": ("it weighs {} g or more", "it weighs {} g or less"),
    "width_cm": ("the width is {} cm or more", "the width is {} cm or less"),
    "warmer_k": ("the change is {} K or more", "the change is {} K or less"),
}


@dataclass(frozen=True)
class Row:
    """One comparison with everything a condition may ask."""

    side: int
    half: int
    features: dict[str, float]


def judge(claim: Claim, found: Sequence[tuple[Specimen, Trial]]) -> Judged:
    """What the comparisons say of the claim."""
    found = [(s, t) for s, t in found if np.isfinite(t.effect)]
    effects = np.array([t.effect for _, t in found])
    sides = np.array([claim.side(e) for e in effects])
    drums = len({s.drum.name for s, _ in found})
    if len(found) < FEWEST:
        return Judged("cannot tell", drums, len(found), 0.0, 0.0, 0.0, None, None, None)
    shares = [float(np.mean(sides == k)) for k in (1, -1, 0)]
    low, middle, high = (float(np.quantile(effects, q)) for q in (0.1, 0.5, 0.9))
    verdict: Verdict = "holds" if shares[0] >= HOLDS else "not found"
    words, inside = "", None
    if verdict == "not found":
        rows = [Row(int(k), s.half, {**s.features, **t.varied}) for k, (s, t) in zip(sides, found, strict=True)]
        condition = find_condition(rows)
        if condition is not None:
            verdict, (words, inside) = "holds when", condition
    return Judged(verdict, drums, len(found), shares[0], shares[1], shares[2], middle, low, high, words, inside)


def find_condition(rows: Sequence[Row]) -> tuple[str, float] | None:
    """The condition that parts one half best, confirmed on the other, and its share as said there; or None."""
    finding, other = ([r for r in rows if r.half == half] for half in (0, 1))
    best: tuple[float, str, str, float] | None = None
    for name in FEATURES:
        for cut in _cuts(sorted({r.features[name] for r in rows if name in r.features})):
            for way in ("up", "down"):
                inside, outside = _parted(finding, name, way, cut)
                if len(inside) < max(FEWEST // 2, COVER * len(finding)) or not outside or _share(inside) < INSIDE:
                    continue
                parting = len(inside) * _certainty(inside) + len(outside) * _certainty(outside)
                if best is None or parting > best[0] + 1e-9:
                    best = (parting, name, way, cut)
    if best is None:
        return None
    _, name, way, cut = best
    inside, outside = _parted(other, name, way, cut)
    if len(inside) < FEWEST // 2 or not outside or _share(inside) < max(CONFIRMED, _share(outside) + MARGIN):
        return None
    return FEATURES[name][0 if way == "up" else 1].format(f"{cut:g}"), _share(inside)


def _parted(rows: Sequence[Row], name: str, way: str, cut: float) -> tuple[list[Row], list[Row]]:
    """Rows that meet a condition, and the others."""
    inside = [r for r in rows if _meets(r, name, way, cut)]
    return inside, [r for r in rows if not _meets(r, name, way, cut)]


def _share(rows: Sequence[Row]) -> float:
    return sum(r.side == 1 for r in rows) / len(rows)


def _certainty(rows: Sequence[Row]) -> float:
    """Mean log-likelihood of a coin with the rows' own share: 0 when all agree."""
    p = _share(rows)
    return sum(q * log(q) for q in (p, 1.0 - p) if q > 0.0)


def _meets(row: Row, name: str, way: str, cut: float) -> bool:
    value = row.features.get(name)
    return value is not None and (value >= cut if way == "up" else value <= cut)


def _cuts(values: Sequence[float]) -> list[float]:
    """Round numbers (two figures) between neighbouring values, or the values themselves where they are few."""
    if len(values) < 2:
        return []
    if len(values) <= 8:
        return [float(f"{v:.4g}") for v in values]
    return sorted({float(f"{np.quantile(values, q):.2g}") for q in np.linspace(0.05, 0.95, 19)})


def settle(model: Judged | None, logged: Heard, untold: str) -> tuple[Verdict, str]:
    """The verdict of model and log together, and why where it needs a reason.

    A log of at least ``LOGGED_FEWEST`` comparisons decides where the model has no say, and forbids a verdict that
    80 % of them contradict.
    """
    enough = logged.count >= LOGGED_FEWEST
    yes = enough and logged.as_said >= HOLDS * logged.count
    no = enough and logged.as_said <= (1.0 - HOLDS) * logged.count
    if model is None:
        if yes or no:
            return ("holds" if yes else "not found"), f"by the logged drums alone; the model has no say: {untold}"
        return "cannot tell", untold
    if model.verdict == "cannot tell":
        return "cannot tell", "too few drums of the set bear on it"
    if (no and model.verdict == "holds") or (yes and model.verdict == "not found"):
        return "cannot tell", "the model and the logged drums contradict each other"
    return model.verdict, _instead(model) if model.verdict == "not found" else ""


def _instead(model: Judged) -> str:
    """What was found where a saying was not."""
    if model.against >= HOLDS:
        return "the model finds it otherwise"
    if model.unheard >= HOLDS:
        return "what changes is too little to notice"
    shares = (("as said", model.as_said), ("too little to notice", model.unheard), ("otherwise", model.against))
    return ", ".join(f"partly {words}" for words, share in shares if share >= PARTLY) + ": no one condition parts them"
