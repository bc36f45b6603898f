"""The command line: parse, dispatch, and turn every error into one sentence and an exit code."""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Callable, Sequence
from typing import Any, NoReturn

from ..errors import BothheadsError, CannotAnswer

EXIT_DONE, EXIT_INPUT, EXIT_REFUSED = 0, 2, 3


class _Parser(argparse.ArgumentParser):
    """Usage errors are sentences too, and never touch stdout."""

    def error(self, message: str) -> NoReturn:
        sentence = message[:1].upper() + message[1:]
        print(f"{sentence.rstrip('.')}: see '{self.prog} --help'.", file=sys.stderr)
        raise SystemExit(EXIT_INPUT)


def _common() -> _Parser:
    shared = _Parser(add_help=False)
    shared.add_argument("--json", action="store_true", help="one JSON object on stdout, words on stderr")
    shared.add_argument("--log", metavar="FILE", default=argparse.SUPPRESS, help="use this log (else BOTHHEADS_LOG)")
    return shared


def build_parser() -> argparse.ArgumentParser:
    """The whole command line."""
    shared = _common()
    top: argparse.ArgumentParser = _Parser(
        prog="bothheads",
        description="Where a two-headed drum is, what a change would do, and how to get back. "
                    "A drum is a file (.toml or a path) or the name of a drum in the log.",
    )
    top.add_argument("--log", metavar="FILE", default=None, help="use this log (else BOTHHEADS_LOG)")
    top.add_argument("--version", action="store_true", help="print the version")
    verbs = top.add_subparsers(dest="verb", metavar="VERB", parser_class=_Parser)

    def verb(name: str, text: str, into: Any = verbs) -> argparse.ArgumentParser:
        parser: argparse.ArgumentParser = into.add_parser(name, help=text, description=text, parents=[shared])
        return parser

    _read_arguments(verb("read", "Where is it now? Strikes, partials and the note of a recording."))
    p = verb("fit", "What are my two heads doing? Both tensions from one or more recordings of a state.")
    p.add_argument("drum")
    p.add_argument("files", nargs="+", metavar="FILE")
    p.add_argument("--channels", metavar="NAMES")
    p.add_argument("--taps", action="append", default=[], metavar="HEAD=FILE",
                   help="a round of rod taps of the same state, the other head held: settles which head is which")
    p = verb("predict", "What would happen if? Note, partials, tail and levels before a rod is touched.")
    p.add_argument("drum")
    p.add_argument("--set", action="append", default=[], metavar="KEY=VALUE", dest="sets")
    p.add_argument("--turns", action="append", default=[], metavar="HEAD=TURNS")
    p.add_argument("--render", metavar="OUT.wav")
    p.add_argument("--from-c", type=float, metavar="C", help="air in which the heads were set or read, degrees Celsius")
    p.add_argument("--to-c", type=float, metavar="C", help="air into which the drum is carried")
    p.add_argument("--rim", choices=("wood", "steel", "rigid"), default="wood", help="what holds the film (wood)")
    _plan_arguments(verb("plan", "What do my hands do? Turns, order, stops and cautions."))
    p = verb("compare", "Is it better? Two recordings level-matched and aligned.")
    p.add_argument("a", metavar="A")
    p.add_argument("b", metavar="B")
    p.add_argument("--channels", metavar="NAMES")
    p.add_argument("--render", metavar="OUT", help="write the matched pair as OUT-a.wav and OUT-b.wav")
    _log_arguments(verb("log", "How do I get back? Drums, states, takes and cards."), shared)
    _more_arguments(verb)
    return top


def _read_arguments(p: argparse.ArgumentParser) -> None:
    p.add_argument("files", metavar="FILE", nargs="+", help="a recording; several, or a folder: one line each")
    p.add_argument("--drum", metavar="DRUM", help="the drum it is, when known")
    p.add_argument("--channels", metavar="NAMES", help="the channels in order, e.g. seat,front")
    p.add_argument("--from", type=float, metavar="S", dest="start")
    p.add_argument("--to", type=float, metavar="S", dest="stop")
    p.add_argument("--taps", action="store_true", help="a round of taps, one near each rod, the other head held")
    p.add_argument("--head", choices=("batter", "resonant"), default="batter", help="the head that was tapped")
    p.add_argument("--rods", type=int, metavar="N", help="how many rods the tapped head has, when no drum is named")
    p.add_argument("--kit", metavar="KIT.toml", help="several drums on one interface, one channel each")
    p.add_argument("--out", metavar="FILE.jsonl", help="JSON, one line a file, resumable (of several files or a folder)")
    _engine_arguments(p, "1")


def _engine_arguments(p: argparse.ArgumentParser, default: str) -> None:
    p.add_argument("--jobs", type=int, metavar="N", help=f"processes ({default})")
    p.add_argument("--scheduler", metavar="tcp://HOST:PORT", help="work on a Dask cluster that is running there")
    p.add_argument("--engine", choices=("pool", "cluster"), help="overrule the choice by size")


def _plan_arguments(p: argparse.ArgumentParser) -> None:
    p.add_argument("drum")
    p.add_argument("--note", metavar="NOTE", help="62, 62Hz, B1 or B1+7")
    p.add_argument("--wish", metavar="WISHES", help="e.g. shorter-tail,same-note")
    p.add_argument("--state", type=int, metavar="N", help="back to this state")
    p.add_argument("--only", choices=("batter", "resonant"), help="the one head that can be reached")
    p.add_argument("--minutes", type=float, metavar="M")
    p.add_argument("--even", choices=("batter", "resonant"), help="even this head out")
    p.add_argument("--taps", metavar="FILE", help="the round of taps for --even")


def _log_arguments(p: argparse.ArgumentParser, shared: _Parser) -> None:
    acts = p.add_subparsers(dest="act", metavar="ACT", parser_class=_Parser, required=True)

    def act(name: str, text: str) -> argparse.ArgumentParser:
        parser: argparse.ArgumentParser = acts.add_parser(name, help=text, description=text, parents=[shared])
        return parser

    q = act("add", "Add a drum from its file.")
    q.add_argument("file", metavar="DRUM.toml")
    q = act("take", "Keep one or more recordings as a new state of a drum.")
    q.add_argument("drum")
    q.add_argument("files", nargs="+", metavar="FILE")
    q.add_argument("--turns", action="append", default=[], metavar="HEAD=TURNS",
                   help="done since the state before: batter=-0.5 or batter:3=+1/8")
    q.add_argument("--set", action="append", default=[], metavar="KEY=VALUE", dest="sets")
    q.add_argument("--channels", metavar="NAMES")
    for name in ("place", "remark", "who", "beater"):
        q.add_argument(f"--{name}", default="", metavar="TEXT")
    q = act("show", "All states of a drum, or all drums.")
    q.add_argument("drum", nargs="?")
    q = act("state", "One state in full.")
    q.add_argument("drum")
    q.add_argument("number", type=int, metavar="N")
    q = act("card", "A card to print: how to get back to this state.")
    q.add_argument("drum")
    q.add_argument("number", type=int, metavar="N")
    q.add_argument("--out", required=True, metavar="FILE", help="FILE.html or FILE.pdf")
    q.add_argument("--paper", default="recall", metavar="KIND", help="which paper (default: recall card)")
    q.add_argument("--with", type=int, metavar="M", dest="other", help="a second state, for papers that compare")
    q = act("cause", "What explains the change between two states?")
    q.add_argument("drum")
    q.add_argument("first", type=int, metavar="M")
    q.add_argument("second", type=int, metavar="N")
    q = act("correct", "Correct words or settings of a state; what was there before is kept.")
    q.add_argument("drum")
    q.add_argument("number", type=int, metavar="N")
    for name in ("place", "remark", "who", "beater"):
        q.add_argument(f"--{name}", metavar="TEXT")
    q = act("head", "What happened to a head: fitted, played, a fault, mended, taken off.")
    q.add_argument("drum")
    q.add_argument("head", choices=("batter", "resonant"))
    q.add_argument("what", metavar="WHAT", help="fitted, played, fault, mended or 'taken off'")
    q.add_argument("--words", default="", metavar="TEXT")
    q.add_argument("--kind", default="", metavar="TEXT", help="the type of head that was fitted")
    q.add_argument("--hours", type=float, metavar="H", help="hours played")
    q.add_argument("--date", metavar="DATE", help="when, as 2026-04-11 (default: now)")
    q = act("heads", "Type, age, hours and faults of a drum's heads.")
    q.add_argument("drum")
    q = act("recall", "This drum as in that state: what differs now, and the plan back.")
    q.add_argument("drum")
    q.add_argument("number", type=int, metavar="N")
    q = act("photo", "Keep a photograph of a drum, or of one of its states.")
    q.add_argument("drum")
    q.add_argument("file", metavar="FILE")
    q.add_argument("--state", type=int, metavar="N")
    q.add_argument("--words", default="", metavar="TEXT")
    q = act("check", "Find and mend orphaned and missing recordings.")
    q.add_argument("--mend", action="store_true")
    q = act("export", "All of it in one zip of open formats.")
    q.add_argument("out", metavar="OUT.zip")
    q.add_argument("drums", nargs="*", metavar="DRUM")
    q = act("import", "Bring in, or merge, an exported log.")
    q.add_argument("file", metavar="FILE.zip")


def _more_arguments(verb: Callable[..., argparse.ArgumentParser]) -> None:
    p = verb("choose", "Sizes, heads, opening and muffling for a job.")
    p.add_argument("job", metavar="KEY=VALUE", nargs="*",
                   help="e.g. use=bass note=50Hz tail_s=0.6 front=loud car=small (docs/choices.md)")
    p.add_argument("--render", metavar="FOLDER", help="write the model's sound of every design and job into this folder")
    p = verb("sweep", "A grid or random design of drums, strikes and places: SPEC.toml --out FOLDER; or DRUM KEY VALUE...")
    p.add_argument("drum", metavar="SPEC.toml|DRUM", help="a sweep's file (docs/sweeps.md), or a drum whose KEY takes each VALUE")
    p.add_argument("key", metavar="KEY", nargs="?", help="a key of the drum file, e.g. batter.tension")
    p.add_argument("values", nargs="*", type=float, metavar="VALUE")
    p.add_argument("--out", metavar="FOLDER", help="where the rows go; the same folder takes a broken-off run up again")
    _engine_arguments(p, "one a core")
    p = verb("kit", "A plan for several drums: their notes or intervals.")
    p.add_argument("drums", nargs="+", metavar="DRUM")
    p.add_argument("--notes", metavar="NOTES", help="one per drum, e.g. 55Hz,A2,D3")
    p.add_argument("--interval", metavar="NAME", help="fourths, thirds, fifths: from the lowest drum up")
    p = verb("sayings", "The trade's sayings tested one by one: what the model says, what your log says, the verdict.")
    p.add_argument("--only", metavar="NAMES", help="ids or subjects with commas, e.g. size-step,openings")
    p.add_argument("--out", metavar="FILE", help="write the report: .html, .pdf or .md")
    p.add_argument("--drums", type=int, metavar="N", help="test on N bass drums and half as many toms")
    p.add_argument("--seed", type=int, metavar="N", help="draw other drums")
    p = verb("maps", "Maps over diameter and depth: note or tension, tail, contact, roundness.")
    p.add_argument("--out", required=True, metavar="FOLDER|FILE", help="a folder for pictures, or one page: .html, .pdf")
    p.add_argument("--note", metavar="NOTE", help="every size tuned to this note: 50Hz, G1")
    p.add_argument("--tension", type=float, metavar="N/M", help="every size at this tension of both heads")
    p.add_argument("--use", choices=("bass", "tom"), default="bass")
    p.add_argument("--film", type=float, default=10.0, metavar="MIL", help="film of both heads (10)")
    p.add_argument("--diameters", metavar="INCHES", help="with commas, e.g. 18,20,22 (default: 16 to 28, toms 8 to 18)")
    p.add_argument("--depths", metavar="INCHES", help="with commas (default: 8 to 22, toms 6 to 18)")
    p = verb("serve", "Open the page on this computer.")
    p.add_argument("--port", type=int, default=8790)
    p.add_argument("--no-browser", action="store_true")
    p = verb("demo", "Play the whole story on real recordings.")
    p.add_argument("--recordings", metavar="FOLDER", help="play it with your own strikes")
    p.add_argument("--drum", metavar="DRUM.toml", help="play it with your own drum")
    p.add_argument("--out", metavar="FOLDER", help="where the card and the sounds go")


def main(argv: Sequence[str] | None = None, *, serve: Callable[[int, str | None, bool], None] | None = None) -> int:
    """Run one command; returns the exit code. ``serve(port, log, open_browser)`` starts the page."""
    try:
        code = _run(argv, serve)
        sys.stdout.flush()  # while a reader that has gone away can still be passed over in silence
        return code
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return EXIT_DONE
    except KeyboardInterrupt:
        print("Stopped; what was already kept stays kept.", file=sys.stderr)
        return 130


def _run(argv: Sequence[str] | None, serve: Callable[[int, str | None, bool], None] | None) -> int:
    options = argparse.Namespace()
    try:
        parser = build_parser()
        parser.parse_args(argv, options)
        if options.version:
            from .. import __version__

            print(f"bothheads {__version__}")
            return EXIT_DONE
        if options.verb is None:
            parser.print_help()
            return EXIT_DONE
        options.start_page = serve
        from .commands import COMMANDS

        return COMMANDS[options.verb](options)
    except SystemExit as stop:
        return int(stop.code or 0)
    except CannotAnswer as error:
        if getattr(options, "json", False) and error.answer is not None:
            print(json.dumps(error.answer, allow_nan=False))
        print(_sentence(error), file=sys.stderr)
        return error.exit_code
    except BothheadsError as error:
        print(_sentence(error), file=sys.stderr)
        return error.exit_code


def _sentence(error: BaseException) -> str:
    text = " ".join(str(error).split())
    first = text.split(" ", 1)[0]
    return text[:1].upper() + text[1:] if first.isalpha() else text  # a file's or key's name stays as it is
