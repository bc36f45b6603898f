"""One function a verb: call the session, say it in words or as JSON, return the exit code."""

from __future__ import annotations

import json
import sys
from argparse import Namespace
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, Literal

from .. import session
from ..errors import CannotAnswer, InputError, LogError
from . import words
from .files import write_bytes
from .logbook import log_command
from .many import read_many
from .maps import maps_command
from .sayings import sayings_command

DONE = 0


def say(options: Namespace, answer: dict[str, Any], lines: Iterable[str], warnings: Iterable[str] = ()) -> None:
    """The JSON object on stdout and words on stderr, or the words on stdout."""
    stream = sys.stderr if options.json else sys.stdout
    for line in lines:
        print(line, file=stream)
    for warning in warnings:
        print(f"Note: {warning}", file=sys.stderr)
    if options.json:
        print(json.dumps(answer, allow_nan=False))


def _drum_or_none(options: Namespace) -> Any:
    return session.load_drum(options.drum, log=_log_of(options)).drum if options.drum else None


def _log_of(options: Namespace, *, writes: bool = False) -> Any:
    """The log, where one is named or the drum is one of its drums; None for a drum file on its own."""
    drum = getattr(options, "drum", None)
    if options.log is None and (drum is None or session.is_file(drum)):
        return None
    return session.open_log(options.log, create=False, readonly=not writes)


def _read(options: Namespace) -> int:
    if (options.start is not None and options.start < 0) or (options.stop is not None and options.stop <= (
            options.start or 0)):
        raise InputError("--from and --to must be seconds with --to after --from.")
    several = bool(len(options.files) > 1 or Path(options.files[0]).is_dir() or options.out)
    if several and (options.taps or options.kit):
        raise InputError(f"{'--taps' if options.taps else '--kit'} reads one recording: name one file.")
    if several:
        return read_many(options, drum=_drum_or_none(options), say=_aside)
    if options.taps:
        return _read_taps(options)
    if options.kit:
        return _read_kit(options)
    reading = session.read_file(
        options.files[0], channels=options.channels, drum=_drum_or_none(options),
        start_s=options.start, stop_s=options.stop,
    )
    answer = session.as_json(reading)
    refused = session.refusal(reading)
    if refused:
        raise CannotAnswer(refused, {**answer, "refused": refused})
    say(options, answer, words.reading_lines(reading, session.roundness(reading)), reading.warnings)
    return DONE


def _read_taps(options: Namespace) -> int:
    drum = _drum_or_none(options)
    if drum is not None and options.head == "resonant" and drum.resonant is None:
        raise InputError("this drum has no resonant head to tap.")
    rods = options.rods or (drum.head(options.head).rods if drum is not None else None)
    if rods is None:
        raise InputError("say how many rods the head has: --rods N, or --drum DRUM.")
    if not 3 <= rods <= 24:
        raise InputError("--rods must be from 3 to 24.")
    taps = session.read_taps(options.files[0], rods=rods, drum=drum, head=options.head,
                             start_s=options.start, stop_s=options.stop)
    answer = session.as_json(taps)
    if taps.refused:
        raise CannotAnswer(taps.refused, answer)
    say(options, answer, words.tap_lines(taps), taps.warnings)
    return DONE


def _read_kit(options: Namespace) -> int:
    readings = session.read_kit(options.files[0], options.kit, channels=options.channels,
                                start_s=options.start, stop_s=options.stop)
    answer = {"schema": "bothheads.kit-reading/1", "drums": {k: session.as_json(r) for k, r in readings.items()}}
    lines = [line for name, reading in readings.items() for line in (f"[{name}]", *words.reading_lines(reading))]
    say(options, answer, lines, dict.fromkeys(w for r in readings.values() for w in r.warnings))
    return DONE


def _fit(options: Namespace) -> int:
    log = _log_of(options, writes=True)
    fit = session.fit(options.drum, options.files, channels=options.channels, taps=options.taps, log=log)
    answer = session.as_json(fit)
    if fit.refused:
        raise CannotAnswer(fit.refused, answer)
    say(options, answer, words.fit_lines(fit), fit.warnings)
    return DONE


def _weather_of(options: Namespace) -> tuple[float, float, Literal["wood", "steel", "rigid"]] | None:
    """(from, to, rim) when both temperatures are named."""
    if options.from_c is None and options.to_c is None:
        return None
    if options.from_c is None or options.to_c is None:
        raise InputError("name both temperatures: --from-c 5 --to-c 21.")
    return options.from_c, options.to_c, options.rim


def _predict(options: Namespace) -> int:
    log, weather = _log_of(options), _weather_of(options)
    if options.render:
        sound, gain_db, prediction = session.render(
            options.drum, sets=options.sets, turns=options.turns, log=log, weather=weather)
        write_bytes(options.render, sound)
        print(f"The sound in {options.render} is made by the model, one channel a place, "
              f"at {gain_db:+.1f} dB re full scale = 1 Pa.", file=sys.stderr)
    else:
        prediction = session.predict(
            options.drum, sets=options.sets, turns=options.turns, log=log, weather=weather)
    say(options, session.as_json(prediction), words.prediction_lines(prediction), prediction.warnings)
    return DONE


def _plan(options: Namespace) -> int:
    log = _log_of(options, writes=options.even is not None)
    plan = session.plan(
        options.drum, note=options.note, wish=options.wish, state=options.state, only=options.only,
        minutes=options.minutes, even=options.even, taps=options.taps, log=log,
    )
    answer = session.as_json(plan)
    if plan.refused:
        raise CannotAnswer(plan.refused, answer)
    say(options, answer, words.plan_lines(plan))
    return DONE


def _compare(options: Namespace) -> int:
    comparison = session.compare(options.a, options.b, channels=options.channels, render=options.render)
    say(options, session.as_json(comparison), words.comparison_lines(comparison), comparison.warnings)
    return DONE


def _choose(options: Namespace) -> int:
    show = sys.stderr.isatty()

    def progress(share: float, text: str) -> None:
        if show:
            print(f"\r{100 * share:3.0f} % {text[:60]:60}", end="" if share < 1.0 else "\r" + " " * 66 + "\r",
                  file=sys.stderr, flush=True)

    answer, lines = session.choose(options.job, log=_own_log(options), progress=progress)
    if answer["refused"]:
        raise CannotAnswer(str(answer["refused"]), answer)
    if options.render:
        _render_choice(answer, Path(options.render))
    say(options, answer, lines)
    return DONE


def _own_log(options: Namespace) -> Any:
    """The log that tells what is owned: the one that is named, else the usual one where there is one."""
    try:
        return session.open_log(options.log, create=False, readonly=True)
    except LogError:
        if options.log is not None:
            raise
        return None


def _render_choice(answer: dict[str, Any], folder: Path) -> None:
    """One WAV a design and job, ``RANK-JOB.wav``."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"{folder} cannot be made ({error.strerror}): choose another --render.") from None
    for option in answer["options"]:
        for index, setting in enumerate(option["settings"]):
            path = folder / f"{option['rank']}-{setting['part']}.wav"
            write_bytes(str(path), session.sound_of(option, index))
    print(f"The sounds in {folder} are made by the model, one channel a place.", file=sys.stderr)


def _aside(words: str) -> None:
    """Said beside the answer, so that stdout stays the answer's."""
    print(words, file=sys.stderr, flush=True)


def _sweep(options: Namespace) -> int:
    if options.key is None:
        return _sweep_file(options)
    if not options.values:
        raise InputError("name the values that the key takes: sweep DRUM KEY VALUE...")
    if options.out or options.jobs or options.scheduler or options.engine:
        raise InputError("--out, --jobs, --scheduler and --engine belong to a sweep's file: sweep SPEC.toml --out FOLDER.")
    rows = session.sweep(options.drum, options.key, options.values, log=_log_of(options))
    answer = {"schema": "bothheads.sweep/1", "key": options.key,
              "rows": [{"value": v, **session.as_json(p)} for v, p in rows]}
    lines = [f"{options.key} = {v:g}: {words.note_line(p.note)}" for v, p in rows]
    say(options, answer, lines)
    return DONE


def _sweep_file(options: Namespace) -> int:
    if not options.out:
        raise InputError("say where the rows go: sweep SPEC.toml --out FOLDER (or DRUM KEY VALUE... for a few).")
    log = session.open_log(options.log, create=False, readonly=True) if options.log else None
    swept = session.sweep_file(options.drum, options.out, jobs=options.jobs, scheduler=options.scheduler,
                               engine=options.engine, log=log, say=_aside)
    say(options, swept.answer, swept.lines)
    return DONE


def _kit(options: Namespace) -> int:
    answer, lines = session.plan_kit(options.drums, notes=options.notes, interval=options.interval,
                                     log=_log_of(options))
    if answer.get("refused"):
        raise CannotAnswer(str(answer["refused"]), answer)
    say(options, answer, lines)
    return DONE


def _serve(options: Namespace) -> int:
    if not 1 <= options.port <= 65535:
        raise InputError("--port must be from 1 to 65535.")
    if options.start_page is None:
        raise InputError("the page is started with the bothheads command: run 'bothheads serve'.")
    options.start_page(options.port, options.log, not options.no_browser)
    return DONE


def _demo(options: Namespace) -> int:
    from .demo import play

    return play(recordings=options.recordings, drum=options.drum, out=options.out)


COMMANDS: dict[str, Callable[[Namespace], int]] = {
    "read": _read, "fit": _fit, "predict": _predict, "plan": _plan, "compare": _compare,
    "log": log_command, "choose": _choose, "sweep": _sweep, "kit": _kit, "serve": _serve, "demo": _demo,
    "sayings": sayings_command, "maps": maps_command,
}
