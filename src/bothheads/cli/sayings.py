"""The verb ``sayings``: the trade's sayings, tested one by one."""

from __future__ import annotations

import json
import os
import sys
from argparse import Namespace
from collections.abc import Callable
from pathlib import Path
from time import perf_counter

from .. import session
from ..errors import InputError
from .files import write_bytes

ENDINGS = (".html", ".pdf", ".md")


def sayings_command(options: Namespace) -> int:
    """Test, then say it or write it; a log is looked through when --log or BOTHHEADS_LOG names one."""
    from ..papers import sayings as paper

    if options.out is not None and not options.out.endswith(ENDINGS):
        raise InputError(f"{options.out} is not a place for a report: its name must end in .html, .pdf or .md.")
    named = os.environ.get("BOTHHEADS_LOG", "")
    log = None
    if options.log is not None or (named and Path(named).exists()):
        log = session.open_log(options.log, create=False, readonly=True)
    started = perf_counter()
    report = session.sayings(only=options.only, log=log, drums=options.drums, seed=options.seed, progress=progress_of("sayings"))
    if options.out is not None:
        made = f"Made by `bothheads sayings --out {Path(options.out).name}` in {perf_counter() - started:.0f} s."
        write_bytes(options.out, paper.written(report, options.out, made=made))
        print(f"The report is in {options.out}.", file=sys.stderr)
    if options.json:
        print(json.dumps(session.sayings_json(report), allow_nan=False))
    elif options.out is None:
        print("\n".join(paper.lines(report)))
    return 0


def progress_of(what: str) -> Callable[[int, int], None] | None:
    """Shows how far it is, where somebody looks on."""
    if not sys.stderr.isatty():
        return None

    def show(done: int, total: int) -> None:
        print(f"\r{done} of {total} {what}", end="\n" if done == total else "", file=sys.stderr, flush=True)
    return show
