"""Which rod, how many eighths: integer least squares on the pull as known, hands' scatter and unsure gains in it.

The cost of turns z is the expected squared deviation of the pull at the rods after them,
|C (d + L z)|^2 + hands + unsure gains + a little per rod touched, L = D diag(g) D^-1 with the gains as learned.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..infer.rod_model import rod_basis
from ..infer.rods import HAND_SD, RodState
from ..records import HeadName, Plan, PlanStep, RodTurn
from ..units import turns_in_words
from .order import cross_order

Array = NDArray[np.float64]

TOUCH_COST = 4e-6  # per rod turned, in squared relative pull: a rod not worth a key stays
MEAN_WEIGHT = 0.4  # of the mean pull's deviation when the pitch is to be held
HEARD_WEIGHT = 0.5  # more for the harmonic p = 2, the one that (1,1) lets everybody hear
GOOD_ENOUGH_CENTS = 4.0  # spread as heard below which nobody hears a difference between rods (assumed)
TILT = "A tilt of the hoop cannot be heard: even it by counting turns from finger-tight or by the hoop's height all round."


def best_turns(state: RodState, *, step_eighths: float = 1.0, hold_pitch: bool = True, max_eighths: float = 4.0) -> Array:
    """Turns per rod (N,) [eighths] in whole steps, at most ``max_eighths`` either way, of least expected cost.

    Raises
    ------
    InputError
        When the step is not an eighth or a sixteenth, or nothing was read yet.
    """
    if step_eighths not in (1.0, 0.5):
        raise InputError("rods are turned in eighths or sixteenths: give a step of 1 or 0.5 eighths.")
    cost, start = _problem(state, hold_pitch)
    rods = state.size.rods
    limit = np.floor(max_eighths / step_eighths) * step_eighths
    rounded = np.clip(np.round(start / step_eighths) * step_eighths, -limit, limit)
    z = min((rounded, np.zeros(rods)), key=lambda v: float(cost(v[None])[0]))
    moves = _moves(rods) * step_eighths
    for _ in range(80):
        near = z + moves
        price = np.where((np.abs(near) <= limit + 1e-9).all(1), cost(near), np.inf)
        best = int(price.argmin())
        if price[best] >= cost(z[None])[0] - 1e-12:
            break
        z = near[best]
    return z


def _problem(state: RodState, hold_pitch: bool) -> tuple[Callable[[Array], Array], Array]:
    """(Cost of rows of turns, real solution)."""
    rods = state.size.rods
    D, inverse, p = rod_basis(rods)
    L = state.effect()
    deviation = D @ state.harmonics
    weight = MEAN_WEIGHT if hold_pitch else 0.0
    heard = D[:, p == 2] @ inverse[p == 2]
    C = np.eye(rods) - (1.0 - weight) / rods + HEARD_WEIGHT * heard
    spread_of_gain = np.diag(state.gains()[1])[p] * np.einsum("ij,ij->j", C @ D, C @ D)
    hands = HAND_SD**2 * ((C @ L) ** 2).sum(0)

    def cost(turns: Array) -> Array:
        left = ((deviation + turns @ L.T) @ C.T) ** 2
        unsure = (turns @ inverse.T) ** 2 @ spread_of_gain
        return np.asarray(left.sum(-1) + turns**2 @ hands + unsure + TOUCH_COST * (turns != 0.0).sum(-1))

    return cost, np.asarray(-np.linalg.lstsq(C @ L, C @ deviation, rcond=0.05)[0])


def _moves(rods: int) -> Array:
    """Every single and double move of one step."""
    one = np.eye(rods)
    moves = [s * one[i] for i in range(rods) for s in (1.0, -1.0)]
    moves += [a * one[i] + b * one[j] for i in range(rods) for j in range(i) for a in (1.0, -1.0) for b in (1.0, -1.0)]
    return np.array(moves)


def even_out(state: RodState, *, head: HeadName = "batter", step_eighths: float | None = None,
             hold_pitch: bool = True, max_eighths: float = 4.0) -> Plan:
    """One pass over the rods of ``head`` that evens it, then tap again.

    ``expected`` holds spreads [cents] now and after (``heard``: (1,1) pitch at the rods; ``film``: local pitch as far as
    levels tell, tilt left out) and the mean pitch's move. ``step_eighths`` None: whole eighths, and sixteenths once those
    gain nothing. Refused when the taps give nothing to gain.
    """
    if step_eighths is None:
        whole = best_turns(state, hold_pitch=hold_pitch, max_eighths=max_eighths)
        step_eighths = 1.0 if whole.any() else 0.5
    turns = best_turns(state, step_eighths=step_eighths, hold_pitch=hold_pitch, max_eighths=max_eighths)
    after = state.after_turns(turns.tolist())
    now = _figures(state)
    if not turns.any():
        return Plan((), {**now, "tilt": "not heard"}, (TILT,), refused=_nothing_to_gain(state, step_eighths))
    then = _figures(after)
    expected = {f"{k.removesuffix('_cents')}_now_cents": v for k, v in now.items() if k.endswith("_cents")} | then
    expected["mean_cents"] = after.mean_cents()[0] - state.mean_cents()[0]
    expected["tilt"] = "not heard"
    rods = state.size.rods
    first = int(np.abs(turns).argmax()) + 1
    order = tuple(rod for rod in cross_order(rods, first) if turns[rod - 1] != 0.0)
    step = PlanStep(head, tuple(RodTurn(i + 1, float(t)) for i, t in enumerate(turns) if t != 0.0), order, "tap", expected)
    return Plan((step,), expected, _cautions(state, turns, step_eighths), cannot=("a tilt of the hoop cannot be heard",),
                minutes=round((25.0 * len(order) + 12.0 * rods) / 60.0, 1))


def _figures(state: RodState) -> dict[str, float | str]:
    heard, film = state.heard_cents(), state.film_cents()
    return {"heard_cents": heard.spread, "heard_sd_cents": _sd_of_spread(heard.cents, heard.sd),
            "film_cents": film.spread, "film_sd_cents": _sd_of_spread(film.cents, film.sd)}


def _sd_of_spread(cents: tuple[float, ...], sd: tuple[float, ...]) -> float:
    high, low = int(np.argmax(cents)), int(np.argmin(cents))
    return float(np.hypot(sd[high], sd[low]))


def _nothing_to_gain(state: RodState, step_eighths: float) -> str:
    heard, film = state.heard_cents().spread, state.film_cents().spread
    finer = " Sixteenths may still help the film." if step_eighths == 1.0 and film > 2 * GOOD_ENOUGH_CENTS else ""
    return (f"no turn of {turns_in_words(step_eighths).removesuffix(' tighter')} makes this head more even: heard within "
            f"{heard:.0f} cents, the film within {film:.0f} cents as far as taps tell.{finer}")


def _cautions(state: RodState, turns: Array, step_eighths: float) -> tuple[str, ...]:
    out = ["Small equal steps, opposite rods in turn; never force a rod. Tap again with the other head held."]
    if (turns > 0).any():
        out.append("Stop when film creaks, a hoop touches its lugs or a rod binds.")
    if (turns < 0).any():
        out.append("Loosen below the mark and come up to it, and stop at the first crease.")
    g, C = state.gains()
    if np.sqrt(C[0, 0]) > 0.3 * abs(g[0]):
        out.append("What a turn does on this head is not known yet: this first pass teaches it.")
    if step_eighths == 0.5:
        out.append("Sixteenths are below what most hands repeat: mark the key before you turn.")
    out.append(TILT)
    return tuple(out)

