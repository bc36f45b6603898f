"""A chunk of a sweep worked out: one row a design and strike, every quantity as ``physics.forecast`` has it.

Round drums of one shape are solved together (``physics.many``); a drum with an opening or with muffling off its axis is
solved alone. A point that cannot be is a row with its inputs and ``error``, and never stops the others.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from .. import __version__
from ..constants import LN_1000
from ..drumfile import changed_many
from ..errors import BothheadsError
from ..physics.air import with_properties
from ..physics.batch import FILMS
from ..physics.contacts import contacts
from ..physics.coupled import default_fmax, solve
from ..physics.feel import highest_hz, residues_of, static_remainder
from ..physics.forecast import WEAKEST_DB, warnings_of
from ..physics.many import ManyModes, Shape, forget_shapes, head_pitches, solve_many
from ..physics.response import heard
from ..physics.system import Complex, Index, ModeSet, tension_of
from ..records import HEADS, Drum, HeadName
from ..roundness import roundness_db
from ..units import note_name
from .columns import Row, inputs_of
from .design import Chunk, is_shape
from .spec import Spec
from .spots import heard_at

TOGETHER = 64  # drums of the least resolution solved at once: enough to share the work, few enough for the cache
FEWEST = 6  # the same of the highest resolution; in between as the matrices grow, so that memory stays flat
_FLOOR_PA = 1e-30


@dataclass(frozen=True, eq=False)
class _Solved:
    """Modes of one drum under one strike: rows of ``modes`` and what was heard of them [Pa], (modes, places)."""

    modes: ModeSet
    rows: slice
    pressure: Complex
    residues: Complex
    pitches: dict[HeadName, float]


def rows_of(spec: Spec, chunk: Chunk, sweep: str = "") -> list[Row]:
    """The rows of a chunk, design by design and strike by strike; ``sweep`` is the hash that they carry."""
    _forget_other_shapes(spec, chunk)
    rows: list[Row] = []
    drums: list[Drum | None] = []
    for i in range(len(chunk)):
        for j in range(max(1, len(spec.strikes))):
            row, drum = _asked(spec, chunk, i, j)
            rows.append(row | {"version": __version__, "sweep": sweep})
            drums.append(drum)
    able = [i for i, drum in enumerate(drums) if drum is not None]
    solved = _solve_all([d for d in drums if d is not None])
    fine: list[tuple[int, Drum, _Solved]] = []
    for i, found in zip(able, solved, strict=True):
        drum = drums[i]
        assert drum is not None
        if isinstance(found, str):
            rows[i]["error"] = found
        else:
            rows[i] |= _answer(drum, found, spec)
            fine.append((i, drum, found))
    if spec.output.feel:
        for i, felt in zip((i for i, _, _ in fine), _feel([(d, s) for _, d, s in fine]), strict=True):
            rows[i] |= felt
    return rows


_last_shape: list[object] = []  # of the chunk before, in this process


def _forget_other_shapes(spec: Spec, chunk: Chunk) -> None:
    """Chunks come shape by shape, so tables of a shape that the last chunk did not end with are not met again."""
    shapes = [(base, *(chunk.sets[key][i] for key in spec.keys if is_shape(key))) for i, base in enumerate(chunk.bases)]
    if _last_shape != shapes[:1]:
        forget_shapes()
    _last_shape[:] = shapes[-1:]


def _asked(spec: Spec, chunk: Chunk, i: int, j: int) -> tuple[Row, Drum | None]:
    """A row's inputs, and the drum as struck and heard; None with the reason in the row where there is no such drum."""
    base, changes = spec.bases[chunk.bases[i]], chunk.changes(i)
    strike = spec.strikes[j] if spec.strikes else None
    row: Row = {"point": chunk.designs[i] * max(1, len(spec.strikes)) + j, "drum": base.name,
                "strike": strike.name if strike else None, **{f"set_{key}": value for key, value in changes.items()}}
    try:
        drum = changed_many(base.drum, changes) if changes else base.drum
        drum = heard_at(replace(drum, air=with_properties(drum.air)), spec.places)
        drum = strike.on(drum) if strike else drum
        row |= inputs_of(drum)
        for name in HEADS:
            if name == "batter" or drum.resonant is not None:
                tension_of(drum, name)
    except BothheadsError as error:
        return row | {"error": str(error)}, None
    return row, drum


def _solve_all(drums: list[Drum]) -> list[_Solved | str]:
    """Every drum solved, or the reason why not, in the order given."""
    out: list[_Solved | str] = [""] * len(drums)
    groups: dict[Shape | None, list[int]] = {}
    for i, drum in enumerate(drums):
        groups.setdefault(Shape.of(drum), []).append(i)
    for shape, members in groups.items():
        if shape is None:
            for i, found in zip(members, _alone([drums[i] for i in members]), strict=True):
                out[i] = found
            continue
        size = max(FEWEST, round(TOGETHER * (FILMS / shape.films) ** 2.5))
        for at in range(0, len(members), size):
            part = members[at: at + size]
            for i, found in zip(part, _together([drums[i] for i in part]), strict=True):
                out[i] = found
    return out


def _together(drums: list[Drum]) -> list[_Solved | str]:
    """Drums of one shape; should their common solution fail, each gets its own."""
    unstruck = [replace(d, strike=drums[0].strike, microphones=()) for d in drums]
    first = {drum: i for i, drum in reversed(list(enumerate(unstruck)))}
    distinct = sorted(set(first.values()))
    try:
        many = solve_many([unstruck[i] for i in distinct])
    except (BothheadsError, ArithmeticError, ValueError, np.linalg.LinAlgError):
        return list(_alone(drums))
    place = {i: k for k, i in enumerate(distinct)}
    mine = [place[first[drum]] for drum in unstruck]
    out: list[_Solved | str] = [""] * len(drums)
    for members in _alike(drums):
        own = sorted({mine[i] for i in members})
        part, starts = _picked(many, own, drums[members[0]])
        strike = part.drum.strike
        pressure, residues = heard(part, strike, part.drum.places), residues_of(part, strike)
        for i in members:
            k = own.index(mine[i])
            rows = slice(int(starts[k]), int(starts[k + 1]))
            pitches = {name: float(hz[mine[i]]) for name, hz in many.head_pitch_hz.items()}
            out[i] = _Solved(part, rows, pressure[rows], residues[rows], pitches)
    return out


def _picked(many: ManyModes, own: list[int], struck: Drum) -> tuple[ModeSet, Index]:
    """The modes of the drums ``own`` as one set, struck and heard as ``struck``, and where each drum's begin."""
    m = many.modes
    rows = np.concatenate([np.arange(many.starts[k], many.starts[k + 1]) for k in own])
    drum = replace(m.drum, strike=struck.strike, microphones=struck.microphones, floor=struck.floor)
    part = ModeSet(drum, m.system, m.s[rows], m.order[rows], m.vectors[rows], m.norms[rows])
    return part, np.concatenate([[0], np.cumsum([many.starts[k + 1] - many.starts[k] for k in own])])


def _alike(drums: list[Drum]) -> list[list[int]]:
    """Indices of drums with the same strike, places and floor."""
    groups: dict[object, list[int]] = {}
    for i, drum in enumerate(drums):
        groups.setdefault((drum.strike, drum.places, drum.floor), []).append(i)
    return list(groups.values())


def _alone(drums: list[Drum]) -> Iterator[_Solved | str]:
    """Drums one by one; the modes of a drum struck several times are found once."""
    last: Drum | None = None
    modes: ModeSet | None = None
    for drum in drums:
        try:
            still = replace(drum, strike=drums[0].strike, microphones=())
            if modes is None or still != last:
                modes, last = solve(still, fmax_hz=default_fmax(still)), still
            modes = replace(modes, drum=drum)
            residues = residues_of(modes, drum.strike)
            yield _Solved(modes, slice(0, len(modes)), heard(modes, drum.strike, drum.places), residues, head_pitches(drum))
        except Exception as error:  # whatever a point meets is that point's reason, not the end of a million others
            modes = None
            yield str(error) if isinstance(error, BothheadsError) else f"{type(error).__name__}: {error}"


def _answer(drum: Drum, found: _Solved, spec: Spec) -> Row:
    """Note, tail, levels, roundness, pitches and main partials of one row."""
    modes, rows = found.modes, found.rows
    hz, decay = modes.frequency_hz[rows], np.minimum(modes.decay_s[rows], 1e9)
    levels = 20 * np.log10(np.maximum(np.abs(found.pressure), _FLOOR_PA) / 20e-6)
    out: Row = {"warnings": list(warnings_of(drum)), "roundness_db": roundness_db(levels),
                **{f"{name}_pitch_hz": value for name, value in found.pitches.items()}}
    if not len(hz):
        return out | {"error": "no mode lies below the highest frequency of a forecast"}
    i = int(np.argmax(modes.same_sense[rows]))
    out |= {"note_hz": float(hz[i]), "decay_s": float(decay[i]), "tail_s": float(LN_1000 * decay[i]),
            "note": note_name(float(hz[i]))}
    out |= {f"level_db_{place.name}": float(levels[i, k]) for k, place in enumerate(drum.places)}
    loudest = levels.max(1)
    main = np.argsort(-loudest, kind="stable")[: spec.output.partials]
    main = np.sort(main[loudest[main] > loudest.max() - WEAKEST_DB])
    order = modes.order[rows][main]
    return out | {"partial_hz": hz[main].tolist(), "partial_decay_s": decay[main].tolist(),
                  "partial_level_db": loudest[main].tolist(), "partial_m": [int(m) if m >= 0 else None for m in order]}


def _feel(solved: list[tuple[Drum, _Solved]]) -> Iterator[Row]:
    """Feel of every row from the modes that its forecast has; what lies above gives way statically."""
    give = np.array([static_remainder(d, d.strike, highest_hz(d, default_fmax(d))) for d, _ in solved])
    poles: list[Complex] = []
    residues: list[Complex] = []
    for drum, found in solved:
        s = found.modes.s[found.rows]
        below = s.imag < 2 * np.pi * highest_hz(drum, default_fmax(drum))
        poles.append(s[below])
        residues.append(found.residues[below])
    met = contacts(poles, residues, give)
    for i, (drum, _) in enumerate(solved):
        trip = 2.0 * drum.depth / drum.air.speed_of_sound
        yield {"air_round_trip_ms": 1e3 * trip, "contact_ms": 1e3 * float(met.contact_s[i]),
               "rebound": float(met.rebound[i]), "air_answer_share": max(0.0, 1.0 - trip / float(met.contact_s[i]))}
