"""Drum files: TOML written by hand or by the log, to and from a ``Drum``.

Every refusal names the key and the accepted range. Lengths end in ``_in``, ``_mm`` or ``_m``.
"""

from .read import changed, from_dict, parse, parse_kit
from .write import SCHEMA, to_dict, write

__all__ = ["SCHEMA", "changed", "from_dict", "parse", "parse_kit", "to_dict", "write"]
