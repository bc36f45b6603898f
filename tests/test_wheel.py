"""The built wheel, installed alone into a clean environment, plays the demo from outside the source tree."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from pathlib import Path

ROOT = Path(__file__).parent.parent


def run(*argv: str | Path, cwd: Path) -> str:
    environment = {k: v for k, v in os.environ.items() if k not in ("PYTHONPATH", "BOTHHEADS_LOG")}
    done = subprocess.run([str(a) for a in argv], cwd=cwd, env=environment, capture_output=True, text=True, timeout=600)
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-2000:]
    return done.stdout


def test_the_wheel_alone_plays_the_demo(tmp_path: Path) -> None:
    run(sys.executable, "-m", "build", "--wheel", "--no-isolation", "-o", tmp_path, ROOT, cwd=tmp_path)
    wheel = next(tmp_path.glob("*.whl"))
    names = zipfile.ZipFile(wheel).namelist()
    for need in ("bothheads/py.typed", "bothheads/data/recordings/CREDITS.md", "bothheads/papers/templates/sheet.html"):
        assert need in names
    assert wheel.stat().st_size < 12e6
    assert not [n for n in names if n.startswith("tests") or "SOURCES" in n]
    run(sys.executable, "-m", "venv", tmp_path / "clean", cwd=tmp_path)
    python = tmp_path / "clean" / "bin" / "python"
    run(python, "-m", "pip", "install", "-q", "-c", ROOT / "requirements.txt", wheel, cwd=tmp_path)
    story = run(tmp_path / "clean" / "bin" / "bothheads", "demo", "--out", tmp_path / "out", cwd=tmp_path)
    assert "serve" in story
    assert (tmp_path / "out" / "recall-card.html").exists()
    assert "site-packages" in run(python, "-c", "import bothheads; print(bothheads.__file__)", cwd=tmp_path)
