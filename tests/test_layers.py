"""The import directions of docs/nomenclature.md, parsed from the source; any other arrow fails."""

from __future__ import annotations

import ast
from pathlib import Path

import bothheads

ROOT = Path(bothheads.__file__).parent
BASE = {"constants", "units", "records", "errors", "drumfile", "wire", "roundness"}
ORDER = {
    "sound": BASE, "physics": BASE, "log": BASE,
    "infer": BASE | {"sound", "physics", "log"},
    "plan": BASE | {"sound", "physics", "log", "infer"},
    "runs": BASE | {"sound", "physics", "infer", "plan"},
    "session": BASE | {"sound", "physics", "log", "infer", "plan", "runs"},
    "papers": BASE | {"sound", "physics", "log", "infer", "plan", "session"},
    "cli": {"session", "papers", "records", "units", "errors"},
    "web": {"session", "papers", "records", "units", "errors"},
}
BASE_ORDER = {
    "constants": set(), "errors": set(), "units": {"constants", "errors"}, "records": {"constants"},
    "drumfile": {"constants", "errors", "units", "records"}, "wire": {"records", "drumfile", "roundness"}, "roundness": set(),
}
OUTSIDE = {
    "sqlite3": {"log"}, "soundfile": {"sound"}, "starlette": {"web"}, "uvicorn": {"web"},
    "tomllib": {"drumfile"}, "argparse": {"cli"}, "dask": {"runs"}, "distributed": {"runs"}, "pyarrow": {"runs"},
}


def layer(path: Path, root: Path) -> str:
    parts = path.relative_to(root).with_suffix("").parts
    return parts[0]


def imports(path: Path, root: Path = ROOT) -> list[tuple[int, str]]:
    """(line, absolute dotted name) of every import, lazy ones inside functions included."""
    here = ("bothheads", *path.relative_to(root).with_suffix("").parts)[:-1]
    found: list[tuple[int, str]] = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found += [(node.lineno, alias.name) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = here[: len(here) - node.level + 1] if node.level else ()
            stem = ".".join((*base, *([node.module] if node.module else [])))
            found += [(node.lineno, f"{stem}.{alias.name}") for alias in node.names]
    return found


def violations(root: Path = ROOT) -> list[str]:
    bad = []
    for path in sorted(root.rglob("*.py")):
        mine = layer(path, root)
        if mine in ("__init__", "__main__"):
            continue
        for line, name in imports(path, root):
            parts = name.split(".")
            if parts[0] == "bothheads":
                theirs = parts[1] if len(parts) > 1 else ""
                if theirs in ("", mine, "__version__"):
                    continue
                allowed = BASE_ORDER[mine] if mine in BASE else ORDER[mine]
                if theirs not in allowed:
                    bad.append(f"{path.relative_to(root)}:{line} imports {name}")
            elif parts[0] in OUTSIDE and mine not in OUTSIDE[parts[0]]:
                bad.append(f"{path.relative_to(root)}:{line} imports {name}")
    return bad


def test_every_import_follows_the_flow() -> None:
    assert not violations()


def test_only_audio_knows_audio_files() -> None:
    users = {
        path.relative_to(ROOT).as_posix()
        for path in ROOT.rglob("*.py")
        for _, name in imports(path)
        if name.split(".")[0] == "soundfile"
    }
    assert users <= {"sound/audio.py"}


def test_only_the_cluster_knows_dask_and_only_columns_and_store_parquet() -> None:
    users = {(name.split(".")[0], path.relative_to(ROOT).as_posix()) for path in ROOT.rglob("*.py") for _, name in imports(path)}
    assert {where for what, where in users if what in ("dask", "distributed")} == {"runs/cluster.py"}
    assert {where for what, where in users if what == "pyarrow"} <= {"runs/columns.py", "runs/store.py", "runs/sweep.py"}


def test_the_check_sees_a_forbidden_arrow(tmp_path: Path) -> None:
    root = tmp_path / "bothheads"
    probe = root / "sound" / "x.py"
    probe.parent.mkdir(parents=True)
    probe.write_text("def f():\n    from ..physics import membrane\n    import sqlite3\n", encoding="utf-8")
    assert violations(root) == [
        "sound/x.py:2 imports bothheads.physics.membrane",
        "sound/x.py:3 imports sqlite3",
    ]
