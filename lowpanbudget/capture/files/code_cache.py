"""Compiled code that is kept for the next run, in a folder that nobody else can write to."""

import os
import stat
from contextlib import suppress
from pathlib import Path
from tempfile import NamedTemporaryFile

_FOLDER = "lowpanbudget"


def kept_code(name: str) -> bytes | None:
    """Return what was kept under a name; None where nothing was, or where others could have put it there."""
    folder = _folder()
    if folder is None:
        return None
    try:
        with (folder / name).open("rb") as file:
            return file.read() if _is_ours(os.fstat(file.fileno())) else None
    except OSError:
        return None


def keep_code(name: str, code: bytes) -> None:
    """Keep code under a name, whole or not at all; where that cannot be done it is made anew each time."""
    folder = _folder()
    if folder is None:
        return
    with suppress(OSError):
        with NamedTemporaryFile(dir=folder, delete=False) as file:
            file.write(code)
        Path(file.name).replace(folder / name)


def _folder() -> Path | None:
    """Return the folder for code; None where there is none that is ours alone."""
    if not hasattr(os, "getuid"):
        return None
    try:
        base = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
        folder = base / _FOLDER
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        return folder if _is_ours(folder.stat()) else None
    except (OSError, RuntimeError):
        return None


def _is_ours(facts: os.stat_result) -> bool:
    """Return whether a file or folder belongs to who runs this, and nobody else can change it."""
    return facts.st_uid == os.getuid() and not facts.st_mode & (stat.S_IWGRP | stat.S_IWOTH)
