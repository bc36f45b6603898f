"""The facts of a state in the words that papers print; every value says which pitch, how sure, where heard."""

from __future__ import annotations

from ..records import HEADS, Drum, Fit, Head, HeadName, Muffling, Note, Reading, State, Turn
from ..session.kept import Kept
from ..units import cents, inches_from_metres, mil_from_surface_density, note_name, turns_in_words

FOOT = (
    "Pitch comes back, turn counts do not: use them only to find the neighbourhood.",
    "Levels of an uncalibrated microphone are not sound-pressure levels. Full strokes with ears near the head: plugs in.",
    "Small equal steps, opposite rods in turn; never force a rod; stop at a crease, a creak, a hoop touching its lugs "
    "or a rod that binds.",
)


def inches(metres: float) -> str:
    """A size as drummers say it."""
    return f"{inches_from_metres(metres):.4g} in"


def size_words(drum: Drum) -> str:
    """Both sizes, both named."""
    return f"diameter {inches(drum.diameter)}, depth {inches(drum.depth)}"


def note_words(note: Note) -> tuple[str, str]:
    """The drum note large, and what it is in words."""
    if note.frequency_hz is None:
        return "refused", note.refused or "no reason given"
    sd = "" if note.sd_hz is None else f", ± {2 * note.sd_hz:.2g} Hz (two standard errors)"
    mark = ", inferred, not heard" if note.inferred else ""
    return f"{note.frequency_hz:.1f} Hz", f"{(note.name or note_name(note.frequency_hz))} cents{sd}{mark}"


def tail_words(note: Note) -> str:
    """The note's tail."""
    return "" if note.t60_s is None else f"{note.t60_s:.2f} s to fall 60 dB"


def glide_words(reading: Reading | None) -> str:
    """Glide of the strikes of a take."""
    if reading is None:
        return ""
    found = [s.glide_cents for s in reading.strikes if s.glide_cents is not None]
    if not found:
        return ""
    low, high = min(found), max(found)
    return f"{high:.0f} cents" if high - low < 1 else f"{low:.0f} to {high:.0f} cents, soft to hard"


def film_words(head: Head) -> str:
    """Film and rods of one head."""
    plies = f", {head.plies} plies" if head.plies > 1 else ""
    return f"{mil_from_surface_density(head.surface_density):.3g} mil{plies}, {head.rods} rods"


def tension_words(fit: Fit | None, head: HeadName, drum: Drum) -> str:
    """Tension with its spread, or why it is not known."""
    found = None if fit is None or fit.refused else (fit.batter if head == "batter" else fit.resonant)
    if found is not None:
        return f"{found.tension:.0f} ± {found.tension_sd:.0f} N/m"
    part = drum.batter if head == "batter" else drum.resonant
    if part is None:
        return "no head"
    return f"{part.tension:.0f} N/m, as described" if part.tension is not None else "not known"


def pitch_words(kept: Kept, head: HeadName) -> str:
    """Head pitch, the other head held still."""
    fit = kept.fit
    found = None if fit is None or fit.refused else (fit.batter if head == "batter" else fit.resonant)
    if found is not None and found.head_pitch_hz:
        return f"{found.head_pitch_hz:.1f} Hz ({note_name(found.head_pitch_hz)})"
    if kept.prediction and head in kept.prediction.head_pitch_hz:
        value = kept.prediction.head_pitch_hz[head]
        return f"{value:.1f} Hz ({note_name(value)}), from the model"
    return ""


def turned_words(turns: tuple[Turn, ...], head: HeadName) -> str:
    """What was turned since the state before."""
    mine = [t for t in turns if t.head == head]
    whole = [t for t in mine if t.rod is None]
    rods = [t for t in mine if t.rod is not None]
    said = [f"all rods {turns_in_words(8 * t.turns)}" for t in whole]
    said += [f"rod {t.rod} {turns_in_words(8 * t.turns)}" for t in rods]
    return ", ".join(said) or "nothing"


def muffling_words(item: Muffling) -> str:
    """One piece of muffling with its place and weight."""
    where = " and ".join(item.heads)
    if item.kind in ("pad", "patch"):
        middle = abs(item.x) < 0.005 and abs(item.y) < 0.005
        spot = "in the centre" if middle else f"at x {100 * item.x:+.0f}, y {100 * item.y:+.0f} cm"
        place = f"{100 * (item.radius or 0) * 2:.0f} cm across {spot}"
    elif item.kind == "strip":
        place = f"{100 * (item.width or 0):.0f} cm wide across the head at y {100 * item.y:+.0f} cm"
    elif item.kind == "ring":
        place = f"{1000 * (item.width or 0):.0f} mm inwards from the edge"
    else:
        place = "loose in the shell"
    weight = f", {1000 * item.mass:.0f} g{' on each head' if len(item.heads) > 1 else ''}" if item.mass else ""
    return f"{item.kind} on {where}: {place}{weight}"


def opening_words(drum: Drum) -> str:
    """The opening of the resonant head."""
    if drum.resonant is None:
        return "no resonant head"
    hole = drum.resonant.opening
    if hole is None:
        return "none"
    return f"{inches(hole.diameter)} at x {100 * hole.x:+.0f}, y {100 * hole.y:+.0f} cm"


def heard_words(kept: Kept) -> str:
    """Where it was heard: the takes' channels and places."""
    channels = {c: None for t in kept.state.takes for c in t.channels}
    places = {m.name: m for m in kept.state.drum.places}
    said = []
    for name in channels:
        m = places.get(name)
        said.append(name if m is None else f"{name} ({m.x:g}, {m.y:g}, {m.z:.3g} m)")
    return "; ".join(said) or "not recorded"


def struck_words(drum: Drum) -> str:
    """Where it was struck."""
    s = drum.strike
    off = (s.x**2 + s.y**2) ** 0.5
    return "in the centre" if off < 0.005 else f"{100 * off:.1f} cm off the batter's centre"


def surroundings_words(state: State) -> str:
    """Room, temperature, humidity as far as they are known."""
    air = state.drum.air
    parts = [state.place, state.settings.get("room", ""), state.settings.get("weather", "")]
    if air.temperature_c is not None:
        parts.append(f"{air.temperature_c:.0f} °C")
    if air.humidity_percent is not None:
        parts.append(f"{air.humidity_percent:.0f} % humidity")
    return ", ".join(p for p in parts if p)


def meta(kept: Kept) -> tuple[str, ...]:
    """The line under the title: sizes, date, place, who."""
    state = kept.state
    return tuple(p for p in (
        size_words(state.drum), state.made_at[:16].replace("T", " ") + " UTC", surroundings_words(state),
        f"by {state.who}" if state.who else "",
    ) if p)


def heads_table(kept: Kept) -> tuple[tuple[str, ...], ...]:
    """Rows of the two heads side by side: film, tension, head pitch, rod pitch, evenness, turned."""
    state, fit = kept.state, kept.fit
    rows: list[tuple[str, ...]] = []
    drum = state.drum
    rows.append(("film, rods", film_words(drum.batter), film_words(drum.resonant) if drum.resonant else "no head"))
    rows.append(("tension", *(tension_words(fit, h, drum) for h in HEADS)))
    rows.append(("head pitch, other head held still", *(pitch_words(kept, h) or "not known" for h in HEADS)))
    taps = kept.taps or {}
    means = []
    spread = []
    for head in HEADS:
        heard = [t.rod_pitch_hz for t in taps[head].taps if t.rod_pitch_hz] if head in taps else []
        means.append(f"{sum(heard) / len(heard):.1f} Hz" if heard else "not tapped")
        even = taps[head].evenness_cents if head in taps else None
        spread.append("" if even is None else f"{even:.0f} cents as heard")
    rows.append(("rod pitch, mean", *means))
    if any(spread):
        rows.append(("evenness (tilt cannot be heard)", *spread))
    rows.append(("turned since the state before", *(turned_words(state.turns, h) for h in HEADS)))
    return tuple(rows)


def rod_rows(kept: Kept) -> list[tuple[str, ...]]:
    """Rod pitches in cents of their own mean, one row a head."""
    rows = []
    for head, taps in (kept.taps or {}).items():
        heard = [t.rod_pitch_hz for t in taps.taps if t.rod_pitch_hz]
        if not heard:
            continue
        mean = sum(heard) / len(heard)
        rows.append((head, *("" if t.rod_pitch_hz is None else f"{cents(t.rod_pitch_hz, mean):+.0f}" for t in taps.taps)))
    return rows
