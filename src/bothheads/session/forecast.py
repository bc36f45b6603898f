"""What would happen if: forecasts, their sound, and the fit of the two heads."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from math import hypot, log
from pathlib import Path
from typing import TYPE_CHECKING

from ..errors import CannotAnswer, InputError
from ..records import HEADS, Drum, Fit, HeadName, Prediction, Reading, TapReading, Turn
from .drums import Loaded, load_drum, turns_of, with_changes
from .reading import read_file, read_taps

if TYPE_CHECKING:
    from ..infer.heads import Setup
    from ..log.store import Log
    from ..physics.system import ModeSet
    from ..physics.weather import Rim

    Weather = tuple[float, float, Rim]


def predict(
    ref: str | Drum | Loaded,
    *,
    sets: Iterable[str] = (),
    turns: str | Iterable[str] | tuple[Turn, ...] = (),
    log: Log | None = None,
    weather: Weather | None = None,
) -> Prediction:
    """Forecast for a drum as it stands, with keys set, rods turned and carried into other air.

    From the log every figure carries its spread, from the fit and from what the drum's own history
    taught about its turns; from a file the tensions are taken as given. ``weather`` is (from [C], to [C], rim).

    Raises
    ------
    InputError
        No tension and no history, turns that the drum cannot take, or temperatures that it cannot see.
    """
    from ..physics.coupled import solve
    from ..physics.feel import contact_of, feel_of, rests_on_hz

    drum, prediction = forecast_state(ref, sets=sets, turns=turns, log=log, weather=weather)
    top = rests_on_hz(drum)
    modes = solve(drum, fmax_hz=top)
    return replace(_gliding(modes, prediction), feel=feel_of(drum, contact_of(modes, fmax_hz=top)))


def _gliding(modes: ModeSet, prediction: Prediction) -> Prediction:
    """The forecast with its glide, and a remark where that is too large to be trusted."""
    from ..physics.stretch import beyond_trust, glide_of

    cents = glide_of(modes)
    return replace(prediction, glide_cents=cents, warnings=(*prediction.warnings, *beyond_trust(cents)))


def forecast_state(
    ref: str | Drum | Loaded, *, sets: Iterable[str] = (),
    turns: str | Iterable[str] | tuple[Turn, ...] = (), log: Log | None = None, weather: Weather | None = None,
) -> tuple[Drum, Prediction]:
    """The drum as it would stand, and its forecast; raises like ``predict``."""
    loaded = ref if isinstance(ref, Loaded) else load_drum(ref, log=log)
    changes = tuple(sets)
    drum = with_changes(loaded.drum, changes)
    asked = turns_of(turns, drum)
    given = any(change.split("=")[0].strip().endswith(".tension") for change in changes)
    if loaded.states and not given:
        changed, prediction = _from_history(loaded, drum, asked)
    else:
        _need_tensions(drum, loaded)
        changed, prediction = _from_description(drum, asked)
    said: tuple[str, ...] = ()
    if weather is not None:
        changed, prediction, said = _carried(changed, prediction, weather, loaded)
    warnings = tuple(dict.fromkeys((*loaded.warnings, *said, *prediction.warnings)))
    return changed, replace(prediction, warnings=warnings)


def _carried(drum: Drum, before: Prediction, weather: Weather, loaded: Loaded) -> tuple[Drum, Prediction, tuple[str, ...]]:
    """The forecast in the other air; the note keeps its spread in cents, widened by how far the mount may give way."""
    from ..infer.slopes import SLOPE_SD
    from ..infer.turns import learned_heads
    from ..physics.forecast import forecast
    from ..physics.weather import carried

    heads = learned_heads(loaded.states)
    from_c, to_c, rim = weather
    moved, words = carried(drum, from_c=from_c, to_c=to_c, rim=rim, per_turn={name: h.slope for name, h in heads.items()})
    after = forecast(moved)
    was, now = before.note, after.note
    if was.frequency_hz and was.sd_hz and now.frequency_hz:
        unsure = 0.0 if rim == "rigid" else max((log(h.slope_factor) for h in heads.values()), default=SLOPE_SD)
        spread = hypot(was.sd_hz / was.frequency_hz, unsure * log(now.frequency_hz / was.frequency_hz))
        after = replace(after, note=replace(now, sd_hz=spread * now.frequency_hz))
    return moved, after, words


def _from_history(loaded: Loaded, drum: Drum, turns: tuple[Turn, ...]) -> tuple[Drum, Prediction]:
    """From all states of a drum: tensions and turns as its log has taught them, anchored on the last reading."""
    from ..infer.forecast import forecast_after

    last = replace(loaded.states[-1], drum=drum)
    try:
        return forecast_after((*loaded.states[:-1], last), turns)
    except CannotAnswer:
        _need_tensions(drum, loaded)
        raise


def _from_description(drum: Drum, turns: tuple[Turn, ...]) -> tuple[Drum, Prediction]:
    """From the drum as described; a turn's effect is then the wide prior's."""
    if not turns:
        from ..physics.forecast import forecast

        return drum, forecast(drum)
    from ..infer.forecast import forecast_from_file
    from ..infer.history import even_turns

    moved = {name: even_turns(turns, name, head.rods)[0]
             for name in HEADS if (head := drum.batter if name == "batter" else drum.resonant) is not None}
    return forecast_from_file(drum, moved)


def _need_tensions(drum: Drum, loaded: Loaded) -> None:
    for name in HEADS:
        head = drum.batter if name == "batter" else drum.resonant
        if head is not None and head.tension is None:
            if loaded.entry is not None:
                raise InputError(
                    f"the tension of the {name} head is not known yet: record a strike with "
                    f"'bothheads log take {loaded.entry.name} FILE', or give --set {name}.tension=N."
                )
            raise InputError(
                f"the drum has no {name}.tension and no history: give --set {name}.tension=N in N/m, "
                "or read a take with fit."
            )


def fit(
    ref: str | Drum | Loaded, paths: Sequence[str | Path], *,
    channels: str | Iterable[str] | None = None, taps: Sequence[str] = (), log: Log | None = None,
) -> Fit:
    """Both tensions from one or many recordings of one state; ``Fit.refused`` says why not.

    ``taps``: rounds of rod taps of the same state as 'batter=FILE', the other head held.

    Raises
    ------
    InputError
        A file is not sound, or no file is named.
    """
    if not paths:
        raise InputError("fit needs a recording: name one or more files of the same state.")
    loaded = ref if isinstance(ref, Loaded) else load_drum(ref, log=log)
    readings = [read_file(path, channels=channels, drum=loaded.drum) for path in paths]
    return fit_readings(loaded, readings, taps=tapped_rounds(loaded.drum, taps), log=log)


def fit_readings(
    loaded: Loaded, readings: Sequence[Reading], *, turns: tuple[Turn, ...] = (),
    taps: Mapping[HeadName, TapReading] | None = None, log: Log | None = None,
) -> Fit:
    """Both tensions from readings; the drum's history, the turns since, and rounds of taps serve as prior.

    Rounds kept in the log since the last state count when their head was not turned since.
    """
    from ..infer.heads import fit_heads
    from ..infer.prior import prior_from_history

    prior = prior_from_history(loaded.states, turns) if loaded.states else None
    setup = _setup(loaded.drum, readings, log)
    rounds = {**_kept_rounds(loaded, turns, log), **(taps or {})}
    return fit_heads(loaded.drum, readings, setup=setup, prior=prior, taps=rounds)


def tapped_rounds(drum: Drum, named: Sequence[str]) -> dict[HeadName, TapReading]:
    """Rounds of taps named as 'batter=FILE' or 'resonant=FILE'."""
    rounds: dict[HeadName, TapReading] = {}
    for item in named:
        head, equals, path = item.partition("=")
        if head not in HEADS or not equals or not path:
            raise InputError(f"--taps takes batter=FILE or resonant=FILE, not '{item}'.")
        name: HeadName = "batter" if head == "batter" else "resonant"
        rounds[name] = read_taps(path, rods=drum.head(name).rods, drum=drum, head=name)
    return rounds


def _kept_rounds(loaded: Loaded, turns: tuple[Turn, ...], log: Log | None) -> dict[HeadName, TapReading]:
    """Rounds tapped after the newest state, of heads that were not turned since."""
    from .. import wire
    from ..infer.taps import says_enough

    if log is None or loaded.entry is None or not loaded.states:
        return {}
    turned = {turn.head for turn in turns}
    found: dict[HeadName, TapReading] = {}
    for head in HEADS:
        rods, taps = (log.get_note(loaded.entry.id, f"{kind}/{head}") for kind in ("rods", "taps"))
        if rods and taps and rods["state"] == loaded.states[-1].number and head not in turned:
            found[head] = wire.taps_from(taps)
    return {head: round_ for head, round_ in found.items() if says_enough(round_)}


def _setup(drum: Drum, readings: Sequence[Reading], log: Log | None) -> Setup | None:
    """The drum's set-up for fitting, kept in the log because it is most of a fit's time."""
    import hashlib

    from ..drumfile import write
    from ..infer.heads import Setup, prepare

    if any(c not in {p.name for p in drum.places} for r in readings for c in r.channels):
        return None  # a microphone whose place is not known: the fit makes its own set-up
    places = {p.name: p for p in drum.places}
    names = tuple(dict.fromkeys(c for r in readings for c in r.channels if c in places))
    if drum.resonant is None or not names:
        return None
    plain = replace(
        drum, name="", muffling=(),
        batter=replace(drum.batter, tension=None, resistance=None, stiffness_loss=None),
        resonant=replace(drum.resonant, tension=None, resistance=None, stiffness_loss=None),
    )
    key = "fit-setup/1/" + hashlib.sha256((write(plain) + ",".join(names)).encode()).hexdigest()
    if log is not None and (kept := log.kept(key)) is not None:
        try:
            return Setup.from_bytes(kept)
        except ValueError:  # written by an earlier version: made anew below
            pass
    setup = prepare(drum, tuple(places[n] for n in names))
    if log is not None and not log.readonly:
        log.keep(key, setup.to_bytes())
    return setup


def render(
    ref: str | Drum | Loaded, *, sets: Iterable[str] = (), turns: str | Iterable[str] | tuple[Turn, ...] = (),
    log: Log | None = None, sample_rate_hz: int = 48000, seconds: float = 2.0, weather: Weather | None = None,
) -> tuple[bytes, float, Prediction]:
    """The model's sound as WAV bytes, one channel a microphone, peak at -1 dBFS; with its gain [dB re 1 Pa = 1].

    Struck by the felt beater of ``feel`` (0.11 kg at 3 m/s, let off) at the drum file's spot; each channel begins
    after the sound's way there. The beater's own click is not in it.
    """
    from ..physics.attack import attack
    from ..physics.coupled import solve
    from ..physics.feel import feel_of, rests_on_hz
    from ..sound.audio import wav_bytes
    from ..sound.render import render_force

    drum, prediction = forecast_state(ref, sets=sets, turns=turns, log=log, weather=weather)
    stroke = attack(drum)
    samples, gain_db = render_force(
        stroke.poles, stroke.pressures, stroke.contact.force, stroke.contact.step_s, delays_s=stroke.delays_s,
        ends=stroke.ends, places=stroke.places, sample_rate_hz=sample_rate_hz, seconds=seconds)
    modes = solve(drum, fmax_hz=rests_on_hz(drum))
    prediction = replace(_gliding(modes, prediction), feel=feel_of(drum, stroke.contact), render_gain_db=gain_db)
    return wav_bytes(samples, sample_rate_hz), gain_db, prediction
