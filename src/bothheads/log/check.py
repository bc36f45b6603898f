"""Is the log whole? Every row, every file; what can be mended is mended when asked for."""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ..errors import LogError
from .store import Log, open_log
from .takes import UNCLAIMED, Vault, sync_folder


@dataclass
class CheckReport:
    """What a check found. Paths are as they lie on the disk."""

    path: Path
    drums: int = 0
    states: int = 0
    takes: int = 0
    photographs: int = 0
    missing: list[str] = field(default_factory=list)  # named by a row, not on the disk
    corrupt: list[str] = field(default_factory=list)  # the content is not what its name says
    orphans: list[str] = field(default_factory=list)  # on the disk, named by no row: a take that was stopped
    unfinished: list[str] = field(default_factory=list)  # temporary files of something that was stopped
    faults: list[str] = field(default_factory=list)  # what SQLite finds wrong with its file
    mended: list[str] = field(default_factory=list)  # what was done, in words

    @property
    def damaged(self) -> bool:
        """Whether anything that was kept is lost or unreadable."""
        return bool(self.missing or self.corrupt or self.faults)

    @property
    def clean(self) -> bool:
        """Nothing lost, nothing damaged, nothing left lying about."""
        return not (self.damaged or self.orphans or self.unfinished)

    def words(self) -> tuple[str, ...]:
        """The report as sentences; the first one is the verdict."""
        size = f"{self.drums} drums, {self.states} states, {self.takes} takes, {self.photographs} photographs"
        lines = [f"the log {self.path} is whole: {size}." if self.clean else
                 f"the log {self.path} needs a hand ({size}): {self._counts()}."]
        lines += self.mended
        lines += [f"missing: {p}" for p in self.missing] + [f"damaged: {p}" for p in self.corrupt]
        lines += [f"named by no state: {p}" for p in self.orphans] + [f"unfinished: {p}" for p in self.unfinished]
        return (*lines, *(f"database: {fault}" for fault in self.faults))

    def _counts(self) -> str:
        kinds = (("missing", self.missing), ("damaged", self.corrupt), ("named by no state", self.orphans),
                 ("unfinished", self.unfinished), ("faults of the database", self.faults))
        return ", ".join(f"{len(found)} {name}" for name, found in kinds if found)

    def as_json(self) -> dict[str, Any]:
        """``bothheads.check/1``."""
        return {
            "schema": "bothheads.check/1", "log": str(self.path), "clean": self.clean, "damaged": self.damaged,
            "drums": self.drums, "states": self.states, "takes": self.takes, "photographs": self.photographs,
            "missing": self.missing, "corrupt": self.corrupt, "orphans": self.orphans, "unfinished": self.unfinished,
            "faults": self.faults, "mended": self.mended,
        }


def check(path: str | Path | None = None, *, mend: bool = False) -> CheckReport:
    """Check the log at ``path``; with ``mend`` put right what can be.

    Mending brings back a missing or damaged recording from what lies in the folder ``unclaimed``, moves files
    that no state names into that folder (nothing that may be sound is deleted), clears temporary files away
    and rebuilds indexes. What stays missing comes back with the import of an export that holds it.

    Raises
    ------
    LogError
        The log cannot be opened, or with ``mend`` not written.
    """
    with open_log(path, create=False, readonly=not mend) as log:
        report = CheckReport(log.path)
        try:
            _look_at_rows(log, report, mend)
            for vault, sql in _vaults(log):
                _look_at_files(log, vault, sql, report, mend)
        except LogError as error:  # so damaged that it cannot be read through: what was found until then is said
            if mend:
                raise
            report.faults.append(str(error))
        return report


def _vaults(log: Log) -> tuple[tuple[Vault, str], ...]:
    return ((log.recordings, "SELECT sha256 FROM recordings"), (log.photographs_folder, "SELECT sha256 FROM photographs"))


def _look_at_rows(log: Log, report: CheckReport, mend: bool) -> None:
    faults = _database_faults(log)
    if faults and mend:
        with log._writing() as db:
            db.execute("REINDEX")
        left = _database_faults(log)
        if len(left) < len(faults):
            report.mended.append("the indexes were rebuilt")
        faults = left
    report.faults += faults
    with log._reading() as db:
        for name in ("drums", "states", "takes", "photographs"):
            setattr(report, name, db.execute(f"SELECT count(*) FROM {name}").fetchone()[0])


def _database_faults(log: Log) -> list[str]:
    with log._reading() as db:
        found = [str(row[0]) for row in db.execute("PRAGMA integrity_check(20)") if row[0] != "ok"]
        found += [f"a row of {row[0]} points at a row of {row[2]} that is not there"
                  for row in db.execute("PRAGMA foreign_key_check")]
        gaps = db.execute("SELECT drum_id FROM states GROUP BY drum_id HAVING max(number) <> count(*)").fetchall()
    return found + [f"the states of drum {row[0]} are not numbered from 1 without a gap" for row in gaps]


def _look_at_files(log: Log, vault: Vault, sql: str, report: CheckReport, mend: bool) -> None:
    named = {str(row[0]) for row in log._rows(sql)}
    for sha256 in sorted(named):
        if vault.holds(sha256):
            continue
        there = vault.path(sha256).exists()
        if mend and _bring_back(log, vault, sha256, report):
            continue
        (report.corrupt if there else report.missing).append(str(vault.path(sha256)))
    with _still(log, mend) as db:
        named = {str(row[0]) for row in db.execute(sql)}
        for path in vault.files():
            if path.stem not in named or path != vault.path(path.stem):
                _strange(path, vault, report, mend)
        for path in vault.unfinished():
            if mend:
                path.unlink(missing_ok=True)
                report.mended.append(f"cleared away: {path}")
            else:
                report.unfinished.append(str(path))


@contextlib.contextmanager
def _still(log: Log, mend: bool) -> Iterator[sqlite3.Connection]:
    """The log while nobody writes, so that a take being kept right now is not taken for an orphan."""
    if mend:
        with log._disk_faults(), log._writing() as db:
            yield db
        return
    with open_log(log.path, create=False) as other:
        if other.readonly:
            with log._reading() as db:
                yield db
        else:
            with other._writing() as db:
                yield db


def _strange(path: Path, vault: Vault, report: CheckReport, mend: bool) -> None:
    if not mend:
        report.orphans.append(str(path))
        return
    report.mended.append(f"moved to {_put_aside(path, vault)}: {path}")


def _put_aside(path: Path, vault: Vault) -> Path:
    folder = vault.folder / UNCLAIMED
    folder.mkdir(exist_ok=True)
    target, count = folder / path.name, 1
    while target.exists():
        target, count = folder / f"{path.stem}-{count}{path.suffix}", count + 1
    os.replace(path, target)
    sync_folder(folder)
    sync_folder(path.parent)
    return target


def _bring_back(log: Log, vault: Vault, sha256: str, report: CheckReport) -> bool:
    """A missing or damaged file from what lies unclaimed; the damaged one is put there."""
    final = vault.path(sha256)
    candidates = sorted((vault.folder / UNCLAIMED).glob(f"{sha256}*"))
    for candidate in candidates:
        with log._disk_faults(), log._writing():
            with candidate.open("rb") as file:
                staged = vault.stage(file)
            if staged.sha256 != sha256:
                staged.path.unlink()
                continue
            if final.exists():
                _put_aside(final, vault)
            with candidate.open("rb") as file:
                vault.settle(staged, lambda file=file: file)  # type: ignore[misc]
            candidate.unlink()
            report.mended.append(f"brought back: {final}")
            return True
    return False
