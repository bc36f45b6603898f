"""Complex modes of a drum: two heads, the air between them and the air outside.

Z(s) q = f,  Z = s^2 (M + rho a W(s a/c)) + s R + K  with q the film displacements in film modes of both heads.
Z is complex symmetric, so left and right vectors are one, and Newton's iteration on the two-sided Rayleigh
functional converges cubically: v <- Z^-1 Z' v, s <- s - v'Zv / v'Z'v (no conjugates).
Here a round drum, whose orders m stay apart; ``mixed`` joins them where a pad or an opening breaks the symmetry.
"""

from __future__ import annotations

from functools import lru_cache
from itertools import pairwise
from math import ceil, log10, pi, sqrt

import numpy as np
from numpy.typing import NDArray

from ..records import HEADS, Drum, HeadName
from . import muffling
from .airload import Loss, air_load
from .bessel import bessel_zeros
from .cavity import GAMMA, duct_modes
from .membrane import Array, ring_overlap
from .system import DEFAULT, Complex, Index, ModeSet, Options, System, tension_of

MAX_ORDERS = 13
AWAY = 4  # of Newton's steps that keep away from a mode that is known
BEGUN_ALIKE = 0.7  # likeness of shapes from where two starts are taken for one
LOWEST_HZ = 1.0  # slower than any leak; air that moves without a spring stands at zero


def shortest_wave(drum: Drum, fmax_hz: float) -> float:
    """Largest k a of the films at ``fmax_hz``, from T k^2 = w^2 (sigma + 2 rho / k): air on both sides."""
    w = 2 * pi * fmax_hz
    shortest = 0.0
    for name in HEADS:
        if name == "resonant" and drum.resonant is None:
            continue
        head, tension = drum.head(name), tension_of(drum, name)
        k = w * sqrt(head.surface_density / tension)
        for _ in range(30):
            k = w * sqrt((head.surface_density + 2 * drum.air.density / k) / tension)
        shortest = max(shortest, k * drum.radius)
    return shortest


def resolution(drum: Drum, fmax_hz: float) -> tuple[int, int]:
    """Film functions per order and number of orders that carry every mode to ``fmax_hz``."""
    shortest = shortest_wave(drum, fmax_hz)
    films = int(np.clip(ceil(shortest / pi) + 3, 8, 20))
    orders = sum(1 for m in range(MAX_ORDERS) if bessel_zeros(m, 1)[0] < shortest)
    return films, max(orders, 5)


def build(drum: Drum, fmax_hz: float, options: Options = DEFAULT) -> System:
    """Matrices of the drum without openings and without what breaks its roundness."""
    films, orders = resolution(drum, fmax_hz)
    films, orders = options.films or films, options.orders or orders
    if options.film_grid:  # the grid's correction holds for kh < 1 only
        films = min(films, 12)
    air = air_load(drum.depth / drum.radius, films, orders, drum.resonant is None)
    shape = (orders, 2 * films)
    mass, resistance, tension, k2 = (np.zeros(shape) for _ in range(4))
    loss_time = np.zeros(shape)
    for i, name in enumerate(HEADS):
        if name == "resonant" and drum.resonant is None:
            continue
        head, part = drum.head(name), slice(i * films, (i + 1) * films)
        k = np.array([bessel_zeros(m, films) for m in range(orders)]) / drum.radius
        if options.film_grid:
            k = k * (1 - (k * options.film_grid) ** 2 / 24)
        k2[:, part] = k * k
        mass[:, part], resistance[:, part] = head.surface_density, head.resistance_used
        tension[:, part], loss_time[:, part] = tension_of(drum, name), head.stiffness_loss_used
    stiffness = tension * k2
    system = System(
        drum, air, _diagonal(mass), _diagonal(resistance + loss_time * stiffness), _diagonal(stiffness), k2,
        inside_loss(drum, options),
    )
    _add_round_muffling(system)
    return system


def inside_loss(drum: Drum, options: Options = DEFAULT) -> Loss | None:
    """What makes the inside air other than an ideal fluid in an empty shell: its walls, loose filling; or nothing."""
    wall = options.wall_loss if options.wall_loss is not None else drum.air.temperature_c is not None
    compliance = 1.0 + (GAMMA - 1.0) * muffling.filled_share(drum)
    if not wall and compliance == 1.0:
        return None
    return Loss(drum.radius, drum.air.speed_of_sound, wall, compliance)


def _diagonal(values: Array) -> Array:
    out = np.zeros((*values.shape, values.shape[1]))
    i = np.arange(values.shape[1])
    out[:, i, i] = values
    return out


def _add_round_muffling(system: System) -> None:
    drum, n = system.drum, system.films
    for item in drum.muffling:
        if not muffling.is_round(item):
            continue
        inner, outer = muffling.round_limits(item, drum.radius)
        density = muffling.surface_density(item, drum.radius)
        both = len(item.heads) == 2
        for m in range(system.air.orders):
            touch = ring_overlap(m, n, inner, outer)
            for name in item.heads:
                part = slice(0, n) if name == "batter" else slice(n, 2 * n)
                system.mass[m, part, part] += density * touch
                system.resistance[m, part, part] += item.resistance * touch
                system.stiffness[m, part, part] += item.stiffness * touch
            if both:  # a spring between the heads
                system.stiffness[m, :n, n:] -= item.stiffness * touch
                system.stiffness[m, n:, :n] -= item.stiffness * touch


def is_mixed(drum: Drum) -> bool:
    """True when an opening or a thing off the axis joins the orders m."""
    opening = drum.resonant is not None and drum.resonant.opening is not None
    return opening or any(not muffling.is_round(item) for item in drum.muffling)


def solve(drum: Drum, *, fmax_hz: float = 300.0, options: Options = DEFAULT) -> ModeSet:
    """All modes of ``drum`` up to ``fmax_hz`` [Hz].

    Raises
    ------
    InputError
        When a tension is not known, in one sentence that names the head.
    """
    if is_mixed(drum):
        from .mixed import solve_mixed

        return solve_mixed(drum, fmax_hz, options)
    return solve_round(build(drum, fmax_hz, options), fmax_hz)


def solve_round(system: System, fmax_hz: float, *, held: HeadName | None = None) -> ModeSet:
    """Modes of a round drum to ``fmax_hz``; with ``held`` that head does not move."""
    n = system.films
    keep = {None: slice(0, 2 * n), "batter": slice(n, 2 * n), "resonant": slice(0, n)}[held]
    order, start, vectors = _start(system, fmax_hz, keep)
    s, vectors, norms = settled(lambda index, z: _kept(system, order[index], z, keep), order, start, vectors)
    good = np.nonzero(is_mode(s, fmax_hz) & ~duplicates(order, s, vectors))[0]
    good = good[np.argsort(s.imag[good])]
    full = np.zeros((len(good), 2 * n), complex)
    full[:, keep] = vectors[good]
    return ModeSet(system.drum, system, s[good], order[good], full, norms[good])


def _kept(system: System, order: Index, s: Complex, keep: slice) -> tuple[Complex, Complex]:
    z, dz = system.impedance(order, s)
    return z[:, keep, keep], dz[:, keep, keep]


def windows(drum: Drum, m: int, fmax_hz: float) -> tuple[tuple[float, float], ...]:
    """Bands [rad/s] up to ``fmax_hz`` between the resonances of the closed rigid duct of order ``m``.

    There Z has poles: between two of them Re Z(iw) falls steadily with w^2 (Foster), so that a linear reading holds.
    """
    return _windows(drum.air.speed_of_sound, drum.radius, drum.depth, m, fmax_hz)


@lru_cache(maxsize=1024)
def _windows(c: float, radius: float, depth: float, m: int, fmax_hz: float) -> tuple[tuple[float, float], ...]:
    top = 2 * pi * fmax_hz * 1.05
    across = duct_modes(m, 4)[0] / radius
    along = np.arange(1 + int(top / c * depth / pi) + 1) * pi / depth
    poles = np.unique(np.round(c * np.hypot(across[:, None], along).ravel(), 6))
    return tuple(pairwise([0.0, *poles[(poles > 1.0) & (poles < top)].tolist(), top]))


def read_at(low: Array, high: Array) -> tuple[Array, Array]:
    """Where in a band [rad/s] Re Z is read as K - w^2 M."""
    return np.asarray(low + 0.15 * (high - low)), np.asarray(low + 0.6 * (high - low))


def counted(low: Array, high: Array, highest: float) -> tuple[Array, Array]:
    """Between which frequencies [rad/s] an undamped start of a band counts: a little beyond it, further at the top."""
    return np.maximum(0.98 * low, 2 * pi * LOWEST_HZ), np.where(high >= highest, 1.2 * high, 1.02 * high)


def _start(system: System, fmax_hz: float, keep: slice) -> tuple[Index, Complex, Complex]:
    """Undamped starts, band by band: Re Z(iw) read as K - w^2 M at two frequencies of the band."""
    bands = [(m, *band) for m in range(system.air.orders) for band in windows(system.drum, m, fmax_hz)]
    orders, low, high = (np.array(x) for x in zip(*bands, strict=True))
    first, second = read_at(low, high)
    a = _kept(system, orders, np.asarray(1j * first, complex), keep)[0].real
    b = _kept(system, orders, np.asarray(1j * second, complex), keep)[0].real
    mass = (a - b) / (second**2 - first**2)[:, None, None]
    stiffness = a + first[:, None, None] ** 2 * mass
    inverse = np.linalg.inv(np.linalg.cholesky(mass))
    values, vectors = np.linalg.eigh(inverse @ stiffness @ np.swapaxes(inverse, 1, 2))
    shapes = np.swapaxes(inverse, 1, 2) @ vectors
    w = np.sqrt(np.maximum(values, 0.0))
    floor, top = counted(low, high, high.max())
    which, i = np.nonzero((w < top[:, None]) & (w > floor[:, None]))
    return orders[which], 1j * w[which, i], shapes[which, :, i].astype(complex)


def newton(  # type: ignore[no-untyped-def]
    evaluate, s: Complex, v: Complex, *, tol: float = 1e-9, rounds: int = 20, known: Complex | None = None
):
    """Newton's iteration on all modes at once; returns s, vectors with v'v = 1, and v' Z' v.

    With ``known`` (modes, unknowns) every start keeps away from that mode for its first steps. s is not a number where
    the iteration did not settle: such a start led nowhere.
    """
    s, v = s.copy(), v / np.sqrt(np.einsum("jn,jn->j", v, v))[:, None]
    norms = np.ones_like(s)
    live = np.arange(len(s))
    for turn in range(rounds):
        if not live.size:
            break
        z, dz = evaluate(live, s[live])
        x = np.linalg.solve(z, dz @ v[live][:, :, None])
        if known is not None and turn < AWAY:
            f = known[live][:, :, None]
            row = np.swapaxes(f, 1, 2) @ dz
            x = x - f * ((row @ x) / (row @ f))
        x /= np.sqrt((x * x).sum(1, keepdims=True))
        row = np.swapaxes(x, 1, 2)
        bottom, top = (row @ (dz @ x))[:, 0, 0], (row @ (z @ x))[:, 0, 0]
        step = top / bottom
        s[live] -= step
        v[live], norms[live] = x[:, :, 0], bottom
        if known is None or turn >= AWAY:  # a step that keeps away settles nothing
            live = live[np.abs(step) > tol * np.abs(s[live])]
    s[live] = np.nan
    return s, v, norms


def settled(  # type: ignore[no-untyped-def]
    evaluate, group: Index, begun: Complex, v: Complex, *, tol: float = 1e-9
):
    """``newton``, and again, away from what was found, for starts that came to a mode where another of their group is.

    Starts that began alike (one mode read in two bands) are one and stay so.
    """
    s, found, norms = newton(evaluate, begun, v, tol=tol)
    i, j = strayed(group, begun, s, found)
    unit = v / np.linalg.norm(v, axis=1)[:, None]
    apart = np.abs(np.einsum("jn,jn->j", unit[i].conj(), unit[j])) < BEGUN_ALIKE
    i, j = i[apart], j[apart]
    if i.size:
        s[i], found[i], norms[i] = newton(
            lambda live, at: evaluate(i[live], at), begun[i], v[i], tol=tol, known=found[j])
    return s, found, norms


def is_mode(s: Complex, fmax_hz: float) -> NDArray[np.bool_]:
    """Where an iteration led to a mode of the drum up to ``fmax_hz``: none grows, and none stands still."""
    return np.asarray((s.imag > 2 * pi * LOWEST_HZ) & (s.imag < 2 * pi * fmax_hz) & (s.real < 1e-9 * np.abs(s)))


def same_mode(group: Index, s: Complex, v: Complex) -> tuple[Index, Index]:
    """Pairs (later, earlier) of starts of one group that came to one mode: same s and same shape."""
    place = np.lexsort((s.imag, group))
    later, earlier = [], []
    for back in (1, 2, 3):
        a, b = place[back:], place[:-back]
        close = (group[a] == group[b]) & (np.abs(s[a] - s[b]) < 1e-5 * np.abs(s[a]))
        a, b = a[close], b[close]
        alike = np.abs(np.einsum("jn,jn->j", v[a], v[b])) > 0.9
        later.append(np.maximum(a, b)[alike])
        earlier.append(np.minimum(a, b)[alike])
    return np.concatenate(later), np.concatenate(earlier)


def duplicates(group: Index, s: Complex, v: Complex) -> NDArray[np.bool_]:
    """Modes that a previous one of the same group already is."""
    out = np.zeros(len(s), dtype=bool)
    out[same_mode(group, s, v)[0]] = True
    return out


def strayed(group: Index, begun: Complex, s: Complex, v: Complex) -> tuple[Index, Index]:
    """Of every pair of starts that came to one mode the one that went further, and the other."""
    i, j = same_mode(group, s, v)
    further = np.abs(s[i] - begun[i]) >= np.abs(s[j] - begun[j])
    gone, stayed = np.where(further, i, j), np.where(further, j, i)
    gone, first = np.unique(gone, return_index=True)
    return gone, stayed[first]


def default_fmax(drum: Drum) -> float:
    """Highest frequency of a forecast [Hz]: 300, or 600 for drums under 18 in."""
    return 600.0 if drum.diameter < 18 * 0.0254 - 1e-9 else 300.0


def decades(pressure: Array) -> float:
    """Level [dB re 20 uPa] of a pressure amplitude [Pa]."""
    return float(20 * log10(max(float(pressure), 1e-30) / 20e-6))
