"""Words for people: what a reading, a fit, a forecast, a plan or a comparison says, line by line."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from ..records import Comparison, Drum, Fit, HeadFit, Levels, Note, Plan, Prediction, Reading, TapReading
from ..units import cents, inches_from_metres, note_name, octave_name, turns_in_words


def _pm(value: float, sd: float | None, digits: int) -> str:
    return f"{value:.{digits}f}" + ("" if sd is None else f" ± {sd:.{digits}f}")


def note_line(note: Note) -> str:
    """The note with its name, spread and tail, or its refusal."""
    if note.frequency_hz is None:
        reason = note.refused or "no reason given"
        return f"Drum note: refused. {reason[:1].upper()}{reason[1:]}"
    sd = "" if note.sd_hz is None else f" ± {max(note.sd_hz, 0.01):.2f}"
    tail = "" if note.t60_s is None else f", tail {note.t60_s:.2f} s to fall 60 dB"
    mark = " (inferred, not heard)" if note.inferred else ""
    return f"Drum note: {note.frequency_hz:.2f}{sd} Hz, {note.name or note_name(note.frequency_hz)}{tail}{mark}"


def file_line(line: Mapping[str, Any]) -> str:
    """One of many recordings, as ``session.read_folder`` answers it: its name and its note, or why there is none."""
    if "schema" not in line:
        return f"{line['file']}: {line['refused']}"
    return f"{line['file']}: {note_line(Note(**line['note']))}"


def reading_lines(reading: Reading, roundness_db: float | None = None) -> Iterable[str]:
    """A reading: note, strikes, roundness over its channels, partials."""
    yield note_line(reading.note)
    strikes = len(reading.strikes)
    yield f"{strikes} strike{'s' if strikes != 1 else ''}, {len(reading.partials)} credible partials" + _explained(reading)
    glides = [s.glide_cents for s in reading.strikes if s.glide_cents is not None]
    if glides:
        yield "Glide: " + ", ".join(f"{g:.0f}" for g in glides) + " cents above rest at the start of each strike"
    if roundness_db is not None:
        yield f"Roundness over the channels: {roundness_db:.1f} dB (0 = the same everywhere), if all had one gain"
    if reading.partials:
        names = ", ".join(reading.channels)
        yield f"  {'Hz':>9} {'±':>7} {'note':>8} {'tail s':>7}  level, dB under the strongest: {names}"
    for p in reading.partials:
        sd = "" if p.frequency_sd_hz is None else f"{p.frequency_sd_hz:.3f}"
        levels = "  ".join("   -" if x is None else f"{x:4.0f}" for x in p.level_db)
        yield f"  {p.frequency_hz:9.2f} {sd:>7} {note_name(p.frequency_hz):>8} {p.t60_s:7.2f}  {levels}"
    for rest in reading.remainder:
        yield f"  unexplained: {_share(rest.share)} {rest.cause}"
    if reading.levels is not None:
        yield from level_lines(reading.levels)


def _explained(reading: Reading) -> str:
    if reading.explained_db is None:
        return ""
    late = "" if reading.explained_late_db is None else f" ({reading.explained_late_db:.0f} from 150 ms on)"
    return f"; they explain {reading.explained_db:.0f} dB of the ring{late}"


def _share(share: float) -> str:
    """A share of the energy, two figures of it: what is left of a clean ring is far below one percent."""
    return f"{share:.0%}" if share >= 0.095 else f"{100 * share:.2g} %" if share >= 5e-5 else "under 0.01 %"


def level_lines(levels: Levels) -> Iterable[str]:
    """How loud and how long as a whole, in the terms of the standards."""
    each = ", ".join(f"{x:.1f}" for x in levels.strike_db[:12]) + (", ..." if len(levels.strike_db) > 12 else "")
    loud = "" if levels.loudness_lufs is None else f"; loudness {levels.loudness_lufs:.1f} LUFS"
    yield f"Level of each strike, first 50 ms: {each} dB re full scale{loud}"
    times = [f"{name} {x:.2f} s" for name, x in (("EDT", levels.edt_s), ("T20", levels.t20_s), ("T30", levels.t30_s)) if x]
    if times:
        yield "Decay of the whole sound, loudest strike: " + ", ".join(times)
    yield "Octaves of the loudest strike, Hz dB: " + ", ".join(
        f"{octave_name(f)} {level:.0f}" for f, level in levels.octaves if level > -100.0)


def tap_lines(taps: TapReading) -> Iterable[str]:
    """A round of taps: rod pitch as heard, evenness, what cannot be heard."""
    if taps.refused:
        yield f"Rods: refused. {taps.refused}"
        return
    heard = [t.rod_pitch_hz for t in taps.taps if t.rod_pitch_hz]
    mean = sum(heard) / len(heard) if heard else None
    for tap in taps.taps:
        if tap.rod_pitch_hz is None or mean is None:
            yield f"  rod {tap.rod:2d}  not heard"
        else:
            sd = "" if tap.sd_hz is None else f" ± {tap.sd_hz:.2f}"
            off = cents(tap.rod_pitch_hz, mean)
            yield f"  rod {tap.rod:2d}  {tap.rod_pitch_hz:7.2f}{sd} Hz  {off:+5.0f} cents of the mean"
    if taps.evenness_cents is not None:
        yield f"As heard, largest minus smallest: {taps.evenness_cents:.0f} cents. A tilt of the hoop cannot be heard."


def _head(name: str, head: HeadFit | None) -> str:
    if head is None:
        return f"  {name}: none"
    pitch = "" if head.head_pitch_hz is None else f", alone (the other head held) {head.head_pitch_hz:.1f} Hz"
    return f"  {name}: {head.tension:.0f} ± {head.tension_sd:.0f} N/m{pitch}"


def fit_lines(fit: Fit) -> Iterable[str]:
    """Both heads, or why not, with the rival explanation."""
    if fit.refused:
        yield f"The heads: refused. {fit.refused}"
    if fit.batter is None:
        return
    yield "The two heads" + (f" (odds {fit.odds:.2f})" if fit.odds else "")
    yield _head("batter", fit.batter)
    yield _head("resonant", fit.resonant)
    if fit.change_sd is not None:
        yield f"  the change since last time is known to {fit.change_sd:.1%}"
    for rival in fit.alternatives[:2]:
        other = "" if rival.resonant is None else f", resonant {rival.resonant.tension:.0f}"
        yield f"  rival, odds {rival.odds:.2f}: batter {rival.batter.tension:.0f}{other} N/m"
    if fit.resonant is not None and fit.odds < 0.9:
        yield "  to tell the heads apart: hold one head still, tap the other near each rod, and add --taps batter=FILE"
    for pair in fit.partials:
        if pair.model_hz is None:
            yield f"  {pair.measured_hz:8.2f} Hz  not of this drum's two heads"
        else:
            order = "" if pair.m is None else f"  m = {pair.m}"
            yield f"  {pair.measured_hz:8.2f} Hz  model {pair.model_hz:8.2f}  {pair.cents or 0:+6.1f} cents{order}"


def prediction_lines(prediction: Prediction) -> Iterable[str]:
    """A forecast: note, head pitches, feel, partials."""
    yield note_line(prediction.note) + " (forecast)"
    for name, pitch in prediction.head_pitch_hz.items():
        yield f"  {name} head alone, the other held still: {pitch:.1f} Hz"
    feel = prediction.feel
    words = [f"air between the heads, there and back: {feel.air_round_trip_ms:.2f} ms"]
    if feel.contact_ms is not None:
        words.append(f"contact {feel.contact_ms:.1f} ms")
    if feel.rebound is not None:
        words.append(f"leaves with {feel.rebound:.0%} of the speed")
    yield "  " + ", ".join(words)
    if prediction.glide_cents is not None:
        yield f"  starts {prediction.glide_cents:.0f} cents sharp and falls to rest, for the strike in the drum file"
    if prediction.roundness_db is not None:
        yield f"  roundness over the places: {prediction.roundness_db:.1f} dB (0 = the same everywhere)"
    places = list(prediction.partials[0].level_db) if prediction.partials else []
    names = ", ".join(places)
    yield f"  {'Hz':>9} {'±':>6} {'note':>8} {'tail s':>7} {'shape':>7} {'batter':>7}  dB re 20 µPa: {names}"
    for p in prediction.partials:
        share = "" if p.share_batter is None else f"{p.share_batter:.0%}"
        shape = p.label or ("mixed" if p.m is None else f"m = {p.m}")
        sd = "" if p.frequency_sd_hz is None else f"{p.frequency_sd_hz:.1f}"
        levels = " ".join(f"{p.level_db[name]:5.0f}" if p.level_db[name] > 0 else "    -" for name in places)
        yield (f"  {p.frequency_hz:9.2f} {sd:>6} {note_name(p.frequency_hz):>8} {p.t60_s:7.2f} {shape:>7} "
               f"{share:>7}  {levels}")


def plan_lines(plan: Plan) -> Iterable[str]:
    """A plan in the order of the hands."""
    if plan.refused:
        yield f"No plan: {plan.refused}"
    for i, step in enumerate(plan.steps, 1):
        if step.muffling:
            yield f"{i}. {step.muffling}"
        else:
            amounts = {r.eighths for r in step.rods}
            order = ", ".join(str(r) for r in step.order)
            if len(amounts) == 1:
                yield f"{i}. {step.head} head, every rod named {turns_in_words(amounts.pop())}, in this order: {order}"
            else:
                yield f"{i}. {step.head} head, in this order:"
                by_rod = {r.rod: r.eighths for r in step.rods}
                yield "   " + "; ".join(f"rod {r} {turns_in_words(by_rod[r])}" for r in step.order if r in by_rod)
        note, sd = step.expected.get("note_hz"), step.expected.get("note_sd_hz")
        if isinstance(note, int | float):
            spread = sd if isinstance(sd, int | float) else None
            yield f"   then {step.then}; expected note {_pm(float(note), spread, 1)} Hz ({note_name(float(note))})"
        else:
            yield f"   then {step.then}"
    for item in plan.cannot:
        yield f"Cannot be met: {item}"
    for item in plan.cautions:
        yield f"Caution: {item}"


def comparison_lines(comparison: Comparison) -> Iterable[str]:
    """A comparison: what was matched, then the differences."""
    late = f"{abs(comparison.delay_ms):.3f} ms {'late' if comparison.delay_ms > 0 else 'early'}"
    yield f"B gets {comparison.gain_db:+.2f} dB and is {late}; differences are B minus A"
    yield from (f"  {words}" for words in comparison.words)
    for d in comparison.differences:
        if d.a is None or d.b is None:
            continue
        sd = "" if d.sd is None else f" ± {d.sd:.3g}"
        yield f"  {d.what:<28} {d.a:10.3f} -> {d.b:10.3f}  {d.b - d.a:+9.3f}{sd} {d.unit}"


def size_line(drum: Drum) -> str:
    """Both sizes, both named."""
    return f"diameter {inches_from_metres(drum.diameter):.4g} in, depth {inches_from_metres(drum.depth):.4g} in"


def card_lines(
    title: str, kind: str, meta: tuple[str, ...],
    blocks: Sequence[tuple[str, str, tuple[tuple[str, ...], ...], tuple[str, ...]]],
) -> Iterable[str]:
    """A paper as it reads in a terminal."""
    yield f"  +-- {title}, {kind} " + "-" * max(0, 60 - len(title) - len(kind))
    yield "  | " + "; ".join(meta)
    for heading, lead, rows, items in blocks:
        if heading or lead:
            yield f"  | {heading}{': ' if heading and lead and rows else ''}{lead if rows else ''}"
        for row in rows:
            yield "  |   " + "  ".join(f"{cell:<22}" if i == 0 else cell for i, cell in enumerate(row)).rstrip()
        for i, item in enumerate(items, 1):
            yield f"  |   {i}. {item}"
    yield "  +" + "-" * 66
