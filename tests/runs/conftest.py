"""A folder with a small sweep."""

from __future__ import annotations

from pathlib import Path

import pytest

from bothheads import drumfile
from sweeps_small import BASS, TINY


@pytest.fixture
def sweep_folder(tmp_path: Path) -> Path:
    """A folder with bass.toml and small.toml."""
    (tmp_path / "bass.toml").write_text(drumfile.write(BASS), encoding="utf-8")
    (tmp_path / "small.toml").write_text(TINY, encoding="utf-8")
    return tmp_path
