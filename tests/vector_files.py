"""The documents of the vectors, each parsed once: a dozen test modules read the same files."""

import functools
import tomllib
from pathlib import Path
from typing import Any


@functools.cache
def document(path: Path) -> dict[str, Any]:
    """Return what a file of vectors holds; all who ask share it, so nobody changes it."""
    return tomllib.loads(path.read_text(encoding="utf-8"))
