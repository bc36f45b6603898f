"""The whole story once: a carnival week in a harbour town, told with real recordings."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from importlib.resources import as_file, files
from pathlib import Path

from .. import papers, session
from ..errors import BothheadsError, InputError
from ..records import Drum, Prediction, Reading
from ..units import note_name
from . import words
from .files import write_bytes

STEPS = 7


class _Teller:
    """Prints the story and, on a terminal, one progress line."""

    def __init__(self) -> None:
        self.began = time.monotonic()
        self.done = 0
        self.bar = sys.stderr.isatty()

    def chapter(self, title: str) -> None:
        self.done += 1
        if self.bar:
            filled = "#" * self.done + "." * (STEPS - self.done)
            print(f"\r[{filled}] {self.done} of {STEPS}", end="\r", file=sys.stderr, flush=True)
        print(f"\n== {self.done}. {title}")

    def tell(self, lines: Iterable[str]) -> None:
        for line in lines:
            print(line)


@contextmanager
def _recordings(folder: str | None) -> Iterator[list[Path]]:
    """Single strikes, softest first: the shipped ones, or a folder of the user's own."""
    if folder is not None:
        yield list(session.audio_files(folder))
        return
    with as_file(files("bothheads") / "data" / "recordings") as shipped:
        yield sorted(shipped.glob("tom-high-*.flac"))


@contextmanager
def _drum_file(path: str | None) -> Iterator[Path]:
    if path is not None:
        yield Path(path)
        return
    with as_file(files("bothheads") / "data" / "demo" / "rehearsal-tom.toml") as shipped:
        yield shipped


def play(*, recordings: str | None = None, drum: str | None = None, out: str | None = None) -> int:
    """Play the story; returns the exit code."""
    target = Path(out or "bothheads-demo")
    try:
        target.mkdir(parents=True, exist_ok=True)
        (target / "log").mkdir(exist_ok=True)
    except OSError as error:
        raise InputError(f"{target} cannot be made ({error.strerror}): name another --out folder.") from None
    with _recordings(recordings) as strikes, _drum_file(drum) as drum_path:
        if not strikes:
            raise InputError("there are no recordings to play with: name a folder with --recordings.")
        return _story(strikes, drum_path, target)


def _story(strikes: list[Path], drum_path: Path, out: Path) -> int:
    teller = _Teller()
    print("Carnival week in a harbour town. The dance hall's tom must be ready by Friday.")
    print("Recordings: real strikes, openly licensed; credits in data/recordings/CREDITS.md of this package.")
    described = session.load_file(drum_path).drum
    log_path = out / "log" / f"demo-{int(time.time() * 1000)}.sqlite"
    with session.open_log(log_path) as log:
        readings = _read(teller, strikes, described)
        entry = session.add_drum(drum_path, log=log)
        best = _best(readings)
        fitted = _fit(teller, readings, described)
        before = _predict(teller, fitted)
        _plan(teller, before, fitted)
        _compare(teller, strikes, best, out)
        state, _, _ = session.take_files(entry.name, strikes, log=log, place="dance hall", beater="stick",
                                         remark="before the carnival")
        _keep(teller, log, entry.name, state.number, out)
        _preview(teller, fitted, out)
    teller.tell([
        "", f"Open the page:  bothheads --log {log_path} serve",
        f"Played in {time.monotonic() - teller.began:.0f} s.",
    ])
    return 0


def _read(teller: _Teller, strikes: list[Path], drum: Drum) -> list[Reading]:
    teller.chapter("Where is it now?  bothheads read")
    readings = []
    for path in strikes:
        try:
            reading = session.read_file(path, drum=drum)
        except BothheadsError as error:
            print(f"  {path.stem}: {error}")
            continue
        readings.append(reading)
        glide = next((s.glide_cents for s in reading.strikes if s.glide_cents is not None), None)
        said = "" if glide is None else f", glide {glide:.0f} cents"
        print(f"  {path.stem}: {words.note_line(reading.note)}; {len(reading.partials)} credible partials{said}")
    if not readings:
        raise InputError("none of these recordings can be read: name a folder of single strikes.")
    return readings


def _best(readings: list[Reading]) -> int:
    """The strike with most credible partials among those with a note: the one to fit."""
    return max(range(len(readings)), key=lambda i: (readings[i].note.frequency_hz is not None, len(readings[i].partials)))


def _fit(teller: _Teller, readings: list[Reading], drum: Drum) -> Drum:
    teller.chapter("What are my two heads doing?  bothheads fit")
    fit = session.fit_readings(session.Loaded(drum), [r for r in readings if session.refusal(r) is None])
    print(f"  from {len(readings)} strikes of every strength together; drum as described: {words.size_line(drum)}")
    teller.tell(f"  {line}" for line in words.fit_lines(fit))
    if fit.batter is None:
        raise InputError("these recordings do not tell the two heads: name other recordings or another drum.")
    if fit.refused:
        print("  the best guess goes on as an example; a log would not keep it as an answer")
    found = drum.with_head("batter", tension=fit.batter.tension)
    if fit.resonant is not None and drum.resonant is not None:
        found = found.with_head("resonant", tension=fit.resonant.tension)
    return found


def _predict(teller: _Teller, drum: Drum) -> Prediction:
    teller.chapter("What would happen if?  bothheads predict --turns batter=-1/8")
    now = session.predict(drum)
    after = session.predict(drum, turns="batter=-1/8")
    print("  with the tensions found, before any turn of this drum is known, so with the wide prior of all drums:")
    for name, forecast in (("now", now), ("after", after)):
        print(f"  {name:>5}: {words.note_line(forecast.note)}")
    return now


def _plan(teller: _Teller, now: Prediction, drum: Drum) -> None:
    if now.note.frequency_hz is None:
        return
    wished = now.note.frequency_hz * 2 ** (-1 / 12)
    teller.chapter(f"What do my hands do?  bothheads plan --note {note_name(wished)}")
    teller.tell(f"  {line}" for line in words.plan_lines(session.plan(drum, note=f"{wished:.2f}Hz", minutes=10)))


def _compare(teller: _Teller, strikes: list[Path], best: int, out: Path) -> None:
    other = len(strikes) - 1 if best != len(strikes) - 1 else 0
    teller.chapter("Is it better?  bothheads compare")
    if other == best:
        print("  one recording only: nothing to compare")
        return
    print(f"  A is {strikes[best].stem}, B is {strikes[other].stem}: the same drum, another strength")
    comparison = session.compare(strikes[best], strikes[other], render=out / "matched")
    teller.tell(f"  {line}" for line in words.comparison_lines(comparison))
    print(f"  the matched pair: {out / 'matched-a.wav'}, {out / 'matched-b.wav'}")


def _keep(teller: _Teller, log: object, name: str, number: int, out: Path) -> None:
    teller.chapter("How do I get back?  bothheads log card")
    kept = session.kept_state(log, name, number)  # type: ignore[arg-type]
    sheet = papers.sheet_of("recall", kept)
    card = out / "recall-card.html"
    write_bytes(str(card), papers.html(sheet).encode())
    teller.tell(words.card_lines(sheet.title, sheet.kind, sheet.meta, [
        (b.title, b.lead, b.rows, b.items) for b in sheet.blocks]))
    print(f"  to print: {card}")


def _preview(teller: _Teller, drum: Drum, out: Path) -> None:
    teller.chapter("Hear it before a rod is touched.  bothheads predict --render")
    sound, gain_db, _ = session.render(drum, turns="batter=-1/8")
    write_bytes(str(out / "preview.wav"), sound)
    places = ", ".join(place.name for place in drum.places)
    print(f"  {out / 'preview.wav'}: made by the model, one channel a place ({places}), {gain_db:+.1f} dB")
