"""Compiled code that is kept for the next run, in a folder that nobody else can write to.

A digest stands before the code: what a crash of the machine left of a file is not run.
"""

import os
import secrets
import stat
from contextlib import suppress
from hashlib import sha256
from pathlib import Path

_FOLDER = "lowpanbudget"
_DIGEST = 32  # octets of SHA-256


def kept_code(name: str) -> bytes | None:
    """Return what was kept under a name; None where nothing whole was, or where others could have put it there."""
    folder = _folder()
    if folder is None:
        return None
    try:
        with (folder / name).open("rb") as file:
            octets = file.read() if _is_ours(os.fstat(file.fileno())) else b""
    except OSError:
        return None
    code = octets[_DIGEST:]
    return code if sha256(code).digest() == octets[:_DIGEST] else None


def keep_code(name: str, code: bytes) -> None:
    """Keep code under a name, whole or not at all; where that cannot be done it is made anew each time."""
    folder = _folder()
    if folder is None:
        return
    part = folder / f"{name}.{secrets.token_hex(8)}"
    try:
        with open(part, "xb", opener=_for_the_owner) as file:  # paths take no opener
            file.write(sha256(code).digest() + code)
        part.replace(folder / name)
    except OSError:
        return
    finally:
        with suppress(OSError):  # of no use to anybody
            part.unlink(missing_ok=True)


def _for_the_owner(path: str, flags: int) -> int:
    return os.open(path, flags, 0o600)


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
