"""The one error tree. Every message is one sentence that says what to do; the exit code rides along."""

from __future__ import annotations

from typing import Any


class BothheadsError(Exception):
    """Base of every error this program raises on purpose.

    ``exit_code`` is what the command line returns; ``str(error)`` is one sentence for a person.
    """

    exit_code = 2


class InputError(BothheadsError):
    """The input is wrong: a file that is not audio, an impossible size, an unknown key (exit 2)."""


class DrumFileError(InputError):
    """A drum file, or a ``--set`` change to one, that cannot be a drum (exit 2)."""


class AudioError(InputError):
    """A file that cannot be read as sound (exit 2)."""


class LogError(InputError):
    """The log cannot be used as asked: read-only, locked, newer schema, full disk, unknown drum (exit 2)."""


class CannotAnswer(BothheadsError):
    """The question cannot be answered from this input (exit 3).

    ``answer`` is the full object of the command's contract, with ``refused`` saying why.
    """

    exit_code = 3

    def __init__(self, sentence: str, answer: dict[str, Any] | None = None) -> None:
        super().__init__(sentence)
        self.answer = answer
