"""Drum files: TOML written by hand or by the log, to and from a ``Drum``.

Every refusal names the key and the accepted range. Lengths end in ``_in``, ``_mm`` or ``_m``.
"""

from .read import changed, changed_many, from_dict, parse, parse_kit, tables
from .write import SCHEMA, to_dict, write

__all__ = ["SCHEMA", "changed", "changed_many", "from_dict", "parse", "parse_kit", "tables", "to_dict", "write"]
