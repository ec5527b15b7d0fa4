"""The files that the words of a command line name: patterns, files named twice, and files read in a row."""

import glob
import os
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from lowpanbudget.cli import captures
from lowpanbudget.cli.inputs import require_capture
from lowpanbudget.errors import RequestError

if TYPE_CHECKING:
    from lowpanbudget.capture.files.continued import ContinuedCapture
    from lowpanbudget.capture.files.reading import CaptureFile


def named(ctx: click.Context, words: Sequence[str]) -> tuple[str, ...]:
    """Return the files that words name, each once: patterns that the shell left alone are expanded, sorted by name.

    Raises ``RequestError`` for a pattern that fits no file, and for a file that cannot be read, before any is.
    """
    paths = [path for word in words for path in _expanded(word)]
    seen: dict[object, str] = {}
    for path in paths:
        if path == "-":
            continue
        require_capture(path)
        facts = Path(path).stat()
        first = seen.setdefault((facts.st_dev, facts.st_ino) if facts.st_ino else path, path)
        if first is not path:
            captures.say(
                ctx, f"{path} is {'given again' if first == path else f'{first} again'}: read once"
            )
    once = set(map(id, seen.values()))
    return tuple(path for path in paths if path == "-" or id(path) in once)


def _expanded(word: str) -> list[str]:
    """Return the files that fit a pattern; a word that is the name of a file is none."""
    if word == "-" or not glob.has_magic(word) or os.path.lexists(word):
        return [word]
    fitting = glob.iglob(word, recursive=True)  # noqa: PTH207  # Path.glob takes no absolute pattern
    found = sorted(path for path in fitting if not Path(path).is_dir())
    if not found:
        raise RequestError(f"no file fits {word!r}", hint="Check the folder and the pattern")
    return found


def opened_in_a_row(paths: Sequence[str]) -> "ContinuedCapture":
    """Return the records of captures that one receiver wrote one after another, with a bar over all of them."""
    from lowpanbudget.capture.files.continued import read_continued
    from lowpanbudget.cli.progress import Course, followed

    course = Course(paths)

    def through(file: "CaptureFile", name: str) -> None:
        file.through(lambda coming: followed(coming, name, course))

    return read_continued(paths, through=through)
