"""Sayings on which the model has no say, each with its reason: said here so that nobody takes silence for an answer."""

from __future__ import annotations

from .record import Saying

_SHELL = ("the model's shell is rigid: a bare shell's own bending falls among the heads' partials (physics.shell), but what hoops, "
          "edges, lugs and the pull of the heads add to it was never measured")
SAYINGS = (
    Saying("maple-is-louder", "shells", "Maple is louder and brighter than birch (others say birch has the presence).",
           untold=_SHELL),
    Saying("thin-shell-is-rounder", "shells", "A thinner shell has less punch and sounds rounder and fuller.", untold=_SHELL),
    Saying("shell-has-a-note", "shells", "Every shell has a note to which the heads should be tuned.",
           untold=_SHELL + "; with heads on, a shell's note moves with their tension, so the advice chases itself"),
    Saying("sharp-edges-ring", "shells", "Sharp bearing edges ring longer than round ones.",
           untold="the loss where a film bends over its edge is one number in the model, drawn from a wide prior; no measurement "
                  "of edges was found to narrow it"),
    Saying("coated-is-warmer", "heads", "Coated heads are warmer and drier than clear ones.",
           untold="a coating's mass could be entered as film; what it loses at high frequencies is not known"),
    Saying("two-plies-are-drier", "heads", "Two plies are drier than one of the same weight.",
           untold="the model knows the film's mass; the rubbing of plies is not in it and no figure is known"),
    Saying("new-heads-settle", "heads", "New heads go on settling for days.",
           untold="creep of film and collar is not modelled; a log of the same drum over days shows it"),
    Saying("buried-is-drier", "strokes", "A beater left in the head makes the note shorter and drier.",
           untold="the contact is modelled until the beater leaves; a foot, a shaft and felt that stay on the film have no "
                  "measured stiffness or loss"),
    Saying("click-from-a-patch", "strokes", "A hard patch under the beater adds click.",
           untold="the click of a face on a patch has no known law; what the patch weighs is tested above"),
    Saying("damp-air-slackens", "weather", "Damp weather changes the tuning.",
           untold="air itself changes by a few cents; what humidity does to a wood shell's roundness and to film was not "
                  "found measured"),
    Saying("even-is-best", "hands", "The evenest head sounds best.",
           untold="the model says what unevenness does; what sounds best is a listener's answer, for which there is the "
                  "blind pair"),
    Saying("playing-loosens-rods", "hands", "Rods back out during the set, worst beside the rim shot.",
           untold="threads and vibration of rods are not modelled; a log with readings before and after shows it"),
)
