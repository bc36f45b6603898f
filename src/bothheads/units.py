"""The only conversions between SI and what people say: inches, notes, cents, turns, decibels."""

from __future__ import annotations

import re
from fractions import Fraction
from math import log2, log10

from .constants import A4, FILM_DENSITY, INCH, LN_1000, MIL
from .errors import InputError

_NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
_STEP = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_OCTAVES_HZ = (16.0, 31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)
_NOTE = re.compile(r"^([A-Ga-g])([#b]?)(-?\d)(?:([+-]\d+(?:\.\d+)?)(?:c|cents)?)?$")
_HZ = re.compile(r"^(\d+(?:\.\d+)?)\s*(?:hz)?$", re.IGNORECASE)
_TURNS = re.compile(r"^([+-]?)(\d+(?:\.\d+)?|\d+/\d+|\d+\s+\d+/\d+)$")


def metres_from_inches(inches: float) -> float:
    """Length [m] of ``inches`` [in]."""
    return inches * INCH


def inches_from_metres(metres: float) -> float:
    """Length [in] of ``metres`` [m]."""
    return metres / INCH


def surface_density_from_mil(film_mil: float) -> float:
    """Surface density sigma = rho h [kg/m2] of a PET film ``film_mil`` thick [mil]."""
    return FILM_DENSITY * film_mil * MIL


def mil_from_surface_density(surface_density: float) -> float:
    """Thickness [mil] of a PET film of ``surface_density`` [kg/m2]."""
    return surface_density / (FILM_DENSITY * MIL)


def cents(frequency: float, reference: float) -> float:
    """Interval 1200 log2(f / reference) [cents]; positive when ``frequency`` is higher."""
    return 1200.0 * log2(frequency / reference)


def detuned(frequency: float, by_cents: float) -> float:
    """Frequency [Hz] that lies ``by_cents`` [cents] above ``frequency`` [Hz]."""
    return float(frequency * 2.0 ** (by_cents / 1200.0))


def decibels(amplitude_ratio: float) -> float:
    """Level 20 log10(ratio) [dB] of an amplitude ratio > 0."""
    return 20.0 * log10(amplitude_ratio)


def t60(decay: float) -> float:
    """Time to fall 60 dB [s] of an amplitude e-folding time [s]: ln(1000) tau."""
    return LN_1000 * decay


def note_name(frequency: float) -> str:
    """Nearest equal-tempered note with its deviation, as ``B1+7`` [cents], A4 = 440 Hz (ISO 16)."""
    semitones = 12.0 * log2(frequency / A4) + 57.0  # above C0
    nearest = round(semitones)
    off = round(100.0 * (semitones - nearest))
    return f"{_NAMES[nearest % 12]}{nearest // 12}{off:+d}"


def octave_name(midband_hz: float) -> str:
    """Nominal name of an octave band from its exact mid-band frequency [Hz]: 31.5, 63, 125 ... 1k, 2k (IEC 61260-1)."""
    nominal = min(_OCTAVES_HZ, key=lambda f: abs(log2(f / midband_hz)))
    return f"{nominal / 1000:g}k" if nominal >= 1000 else f"{nominal:g}"


def note_frequency(text: str) -> float:
    """Frequency [Hz] of ``62``, ``62Hz``, ``B1``, ``Bb1-12`` or ``B1+7`` (cents after the sign).

    Raises
    ------
    InputError
        When the text is neither a frequency nor a note, or lies outside 10-2000 Hz.
    """
    word = text.strip()
    if plain := _HZ.match(word):
        value = float(plain[1])
    elif note := _NOTE.match(word):
        step = _STEP[note[1].upper()] + {"": 0, "#": 1, "b": -1}[note[2]]
        semitones = step + 12 * int(note[3]) - 57 + float(note[4] or 0.0) / 100.0
        value = float(A4 * 2.0 ** (semitones / 12.0))
    else:
        raise InputError(f"'{text}' is not a note: write it as 62Hz, B1 or B1+7 (cents after the sign).")
    if not 10.0 <= value <= 2000.0:
        raise InputError(f"'{text}' is {value:.1f} Hz, outside 10 to 2000 Hz: name a note that a drum can have.")
    return value


def turns_from_text(text: str) -> float:
    """Rod rotation [turns], plus = tighter, of ``0.5``, ``-1/8`` or ``+1 1/4``.

    Raises
    ------
    InputError
        When the text is not a number of turns or exceeds 8 turns either way.
    """
    match = _TURNS.match(text.strip())
    if not match or match[2].endswith("/0"):
        raise InputError(f"'{text}' is not a number of turns: write it as -1/8, 0.5 or +1 1/4.")
    value = float(sum(Fraction(part) for part in match[2].split()))
    if value > 8.0:
        raise InputError(f"'{text}' is more than 8 turns: give the turns since the state before, in turns.")
    return -value if match[1] == "-" else value


def turns_in_words(eighths: float) -> str:
    """Rod rotation in words for the hand: ``3/8 tighter``, ``1 1/4 looser``, ``1/16 tighter``, ``no turn``."""
    parts = Fraction(round(abs(eighths) * 2), 16)
    if parts == 0:
        return "no turn"
    whole, rest = divmod(parts, 1)
    words = " ".join(str(piece) for piece in (whole, rest) if piece)
    return f"{words} {'tighter' if eighths > 0 else 'looser'}"
