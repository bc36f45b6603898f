"""Choosing a drum for a job before anything is bought: the answer of ``docs/choices.md``, its lines and its sounds."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from ..errors import InputError
from .choice_lines import lines_of

if TYPE_CHECKING:
    from ..log.store import Log
    from ..plan.choice import Choice
    from ..plan.job import Job
    from ..plan.owned import Near, Owned

Progress = Callable[[float, str], None]
_REMEMBERED = 40  # states of an owned drum that its turns are learned from


def choose(
    items: Sequence[str] | Mapping[str, Any], *, log: Log | None = None, progress: Progress | None = None,
    stop: Callable[[], bool] | None = None,
) -> tuple[dict[str, Any], list[str]]:
    """Designs for a job, ranked: the object ``bothheads.choice/1`` and its lines in words.

    ``items`` are KEY=VALUE texts or a mapping of the same keys (``docs/choices.md``). ``log`` tells what is owned.
    ``progress(share, words)`` is called as the search goes on; when ``stop()`` becomes true the best so far is answered.
    ``answer["refused"]`` says why nothing fits, naming the limit.

    Raises
    ------
    InputError
        A job that cannot be read, or sizes that leave nothing to choose from.
    """
    from .. import wire
    from ..plan.choose import choose as search
    from ..plan.job import parse_job
    from ..plan.owned import losses, set_for
    from .choice_design import option

    began = time.perf_counter()
    job = parse_job(job_of(items))
    mine = _owned(log) if log is not None else []
    resistance, heads = losses([o.states for o in mine])
    choice = search(job, resistance=resistance, stop=stop, progress=progress)
    near: list[Near] = []
    if mine and choice.designs and not choice.stopped and not choice.refused:
        near = set_for(job, mine, choice.scale)
    if progress is not None:
        progress(0.96, "feel, turns and weather")
    options = [option(job, d, rank, near) for rank, d in enumerate(choice.designs, 1)] if choice.refused is None else []
    answer = {
        "schema": "bothheads.choice/1", "stopped": choice.stopped, "refused": choice.refused, "job": _job(job),
        "criteria": _criteria(job), "options": options, "blocked": [{"limit": b.limit, "words": b.words} for b in choice.blocked],
        "nearest_miss": _nearest_miss(choice), "assumed": _assumed(job, resistance, heads), "not_tested": _not_tested(job),
        "disagreements": _disagreements(job), "searched": {**choice.searched, "seconds": time.perf_counter() - began},
    }
    cleaned: dict[str, Any] = wire.clean(answer)
    if progress is not None:
        progress(1.0, "done")
    return cleaned, lines_of(cleaned)


def job_of(items: Sequence[str] | Mapping[str, Any]) -> dict[str, Any]:
    """The job's keys from KEY=VALUE texts; a mapping is taken as it is."""
    if isinstance(items, Mapping):
        return dict(items)
    job: dict[str, Any] = {}
    for item in items:
        key, equals, value = item.partition("=")
        if not equals:
            raise InputError(f"'{item}' is not KEY=VALUE: write for example use=bass note=50Hz largest_in=22.")
        job[key.strip()] = value.strip()
    return job


def sound_of(option: Mapping[str, Any], part: int = 0) -> bytes:
    """The model's sound of an option's setting for one part of the job, WAV bytes, as ``session.render`` makes them."""
    from ..drumfile import from_dict
    from .forecast import render

    drum, _ = from_dict(option["settings"][part]["drum_file"])
    return render(drum)[0]


def _owned(log: Log) -> list[Owned]:
    from ..plan.owned import Owned

    out = []
    for entry in log.drums():
        states = tuple(reversed(log.states(entry.id, limit=_REMEMBERED, newest_first=True)))
        out.append(Owned(states[-1].drum if states else entry.drum, entry.id, states[-1].number if states else None, states))
    return out


# ------------------------------------------------------------------ the job in words
def _job(job: Job) -> dict[str, Any]:
    parts = [{"name": p.name, "words": [*(c.words for c in p.criteria), *p.words]} for p in job.parts]
    words = [f"a {'bass drum' if job.use == 'bass' else 'tom'}", *(w for p in parts for w in p["words"]), *job.limits]
    return {"use": job.use, "words": words, "parts": parts, "limits": list(job.limits), "given": dict(job.given)}


def _criteria(job: Job) -> list[dict[str, Any]]:
    from ..plan.job import STEP_WORDS

    rows: list[dict[str, Any]] = [
        {"key": c.key, "part": p.name, "what": c.what, "words": c.words, "step": STEP_WORDS[c.what]}
        for p in job.parts for c in p.criteria]
    for p in job.parts:
        rows += [
            {"key": f"{p.name}.film", "part": p.name, "what": "film", "words": "film clear of creases and of its limit",
             "step": "a tenth of tension"},
            {"key": f"{p.name}.practice", "part": p.name, "what": "practice", "words": "a note customary for the size",
             "step": "a semitone or two"},
            {"key": f"{p.name}.things", "part": p.name, "what": "things", "words": "as little laid on as can be",
             "step": "ten things"}]
    if len(job.parts) > 1:
        rows.append({"key": "turning", "part": None, "what": "turning", "words": "as little turning between the jobs as can be",
                     "step": "a hundred eighths"})
    return [*rows, {"key": "weight", "part": None, "what": "weight", "words": "of two equal ones the lighter", "step": "100 kg"}]


def _assumed(job: Job, resistance: float | None, heads: int) -> list[str]:
    from ..constants import ASSUMED_RESISTANCE, ASSUMED_RESISTANCE_FACTOR

    if job.resistance is not None:
        loss = f"loss of new heads {job.resistance:g} N s/m3, as given"
    elif resistance is not None:
        loss = f"loss of new heads {resistance:.1f} N s/m3, the middle of {heads} heads in your log"
    else:
        loss = (f"loss assumed: {ASSUMED_RESISTANCE:g} N s/m3 within a factor of {ASSUMED_RESISTANCE_FACTOR:g} (common practice, "
                "no source); the tail's band shows what that means")
    out = [*job.assumed, loss, "tension even round each head", "what is laid on has the mass and loss of felt or film as usual "
           "(common practice, no source)", "weight and packed size from the size alone (common practice, no source)"]
    if not any(p.floor for p in job.parts):
        out.append("free field: no floor, no walls")
    return out


def _not_tested(job: Job) -> list[str]:
    from ..plan.choice import NOT_TESTED

    return list(NOT_TESTED)


def _disagreements(job: Job) -> list[dict[str, Any]]:
    from ..plan.trade import disputes

    return [{"about": d.about, "words": list(d.sides)} for d in disputes(job)]


def _nearest_miss(choice: Choice) -> dict[str, Any] | None:
    from ..drumfile import to_dict

    if not choice.blocked or choice.blocked[0].nearest is None:
        return None
    first = choice.blocked[0]
    build = first.nearest
    assert build is not None
    return {"name": build.name, "limit": first.limit, "words": first.words, "drum_file": to_dict(build.drum)}
