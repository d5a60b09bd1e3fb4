"""Modes of the files and directories that hold the record: set by the program, whatever the umask.

Owner reads and writes, the group reads, others nothing. What is in the files is no business of this module.
"""

from __future__ import annotations

import os
from pathlib import Path

import structlog

log = structlog.get_logger("record")

FILE_MODE = 0o640
DIRECTORY_MODE = 0o750
#: What SQLite keeps beside a database; new ones get the mode of the database from SQLite itself.
BESIDE = ("-wal", "-shm")


def own_directory(path: Path, mount: Path | None = None) -> None:
    """Make a directory, with its parents; one that is there keeps the mode that somebody gave it.

    mount: a file system must be mounted here, else nothing is made: behind a missing mount it would fill the
    root file system. OSError: it cannot be made, or not now.
    """
    if mount is not None and not os.path.ismount(mount):
        raise OSError(f"nothing is mounted at {mount} (station.data_mount)")
    if not path.is_dir():
        path.mkdir(parents=True, exist_ok=True)
        path.chmod(DIRECTORY_MODE)


def identity(path: Path) -> tuple[int, int] | None:
    """Which file this path leads to now; None: to none that we may see.

    It tells a file that was removed, or is behind another mount, from the one that was opened.
    """
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino


def own_file(path: Path) -> None:
    """Begin a database file if it is not there; take what is too much from the mode of one that is.

    OSError: it cannot be begun. A file that belongs to somebody else keeps its mode, which is logged: the
    record must go on.
    """
    if not path.exists():
        # Never for a file that is there: closing the descriptor would drop this process's locks on it.
        os.close(os.open(path, os.O_WRONLY | os.O_CREAT, FILE_MODE))
        path.chmod(FILE_MODE)
    for suffix in ("", *BESIDE):
        part = path.with_name(path.name + suffix)
        try:
            mode = part.stat().st_mode & 0o777
            if mode & ~FILE_MODE:  # a tighter one is somebody's wish
                part.chmod(mode & FILE_MODE)
        except FileNotFoundError:
            continue
        except OSError as problem:
            log.warning("the mode of a file cannot be set", file=str(part), error=str(problem))
