"""Files that people name: those that are not there, and those given in the place of another kind.

What a file is, its first octets and the heads of its tables tell; nothing of what a key file holds is shown.
"""

import io
import os
import re
from pathlib import Path
from typing import TYPE_CHECKING

import click

from lowpanbudget.cli.completion import examples
from lowpanbudget.errors import DesignError, Malformed, RequestError
from lowpanbudget.hidden import HiddenOctets

if TYPE_CHECKING:
    from lowpanbudget.capture.files.reading import CaptureFile

STANDARD_INPUT = "standard input"  # what errors call it
_LARGEST = 1 << 20  # octets that are looked at for the heads of tables
_HEAD = re.compile(r"^[ \t]*\[{1,2}[ \t]*(\w+)[.\w \t]*\]{1,2}[ \t]*(?:#.*)?$", re.MULTILINE)
_MOST_NEAR, _NEAR = 3, 0.7  # names, and how alike they are


def explained(error: Exception) -> Exception:
    """Return an error of a design file, or a better one where the file is none: not there, a capture, a key file."""
    if not isinstance(error, DesignError):
        return error
    path = error.file or (error.faults[0].file if error.faults else "")
    if not path or path == STANDARD_INPUT:
        return error
    return _unreadable(path, "design file") or _other_than_design(path) or error


def other_than_design(octets: bytes) -> RequestError | None:
    """Return what says that standard input is something else than a design file; None where it is none."""
    return _instead_of_design(STANDARD_INPUT, _kind(octets), is_empty=not octets)


def require_capture(path: str) -> None:
    """Raise ``RequestError`` where a file that should be a capture is not there, a design file or a key file.

    What is none of these, whatever it holds, is for the reader of captures; pipes and devices are left alone.
    """
    if path == "-":
        return
    wrong = _unreadable(path, "capture") or _other_than_capture(path)
    if wrong is not None:
        raise wrong


def require_keys(path: str) -> None:
    """Raise ``RequestError`` where a design file or a capture stands in the place of a key file."""
    what = kind_of(path)
    if what in {"design file", "capture"}:
        raise RequestError(
            f"{path} is a {what}, not a key file",
            hint="A key file is a text with [[key]] and octets = below it, which you alone can read; "
            f"{'a design file goes behind --design' if what == 'design file' else 'explain [[key]] shows one'}",
        )


def require_frames(path: str) -> None:
    """Raise as ``require_capture`` for what may also be a text of hex, or be mistyped hex and name no file.

    Raises ``Malformed`` for a file that is neither.
    """
    from lowpanbudget.capture.files.reading import read_capture

    if not _is_there(path):
        require_present(path, "file of frames", said="is neither hex nor a file that exists")
        return
    require_capture(path)
    if Path(path).is_file() and not _is_empty(path):
        with read_capture(path) as records:
            _refuse_noise(path, records)


def require_text(name: str, octets: bytes) -> None:
    """Raise as ``require_frames`` for the first octets of a stream that is neither a capture nor a text."""
    from lowpanbudget.capture.files.reading import has_magic, read_capture

    if octets and not has_magic(octets):
        with read_capture(io.BytesIO(octets)) as records:
            _refuse_noise(name, records)


def _refuse_noise(name: str, records: "CaptureFile") -> None:
    """Raise ``Malformed`` for octets that are no file of frames: not the request is wrong, as with mistyped hex."""
    if records.format == "unknown":
        raise Malformed(
            f"{name}: {records.notices[0].text}",
            offset=records.notices[0].offset,
            hint="Give a pcap or pcapng file, or a text with a frame a line in hex",
        )


def require_present(path: str, what: str, *, said: str = "") -> None:
    """Raise ``RequestError`` where what was given can only be the name of a file, and there is none."""
    if path == "-" or not (Path(path).suffix or "/" in path or _near(path)):
        return
    wrong = _unreadable(path, what)
    if wrong is not None:
        raise RequestError(f"{path!r} {said}", hint=wrong.hint) if said else wrong


def why_empty(path: str) -> str:
    """Return where to look for the frames of a capture that has none: it may be a table, which no receiver wrote."""
    from lowpanbudget.capture.files.reading import read_capture
    from lowpanbudget.capture.follow.picking import CUT_OFF, NO_FRAME

    if Path(path).is_file() and not _is_empty(path):
        with read_capture(path) as records:
            if records.format in {"text", "unknown"}:
                return "A capture is a pcap or pcapng file, or a text with a frame a line in hex"
            next(records, None)
            if any(notice.is_damage for notice in records.notices):
                return CUT_OFF
    return NO_FRAME


def kind_of(path: str) -> str:
    """Return what a file is: "design file", "key file", "capture"; "" for what is none of them or cannot be read."""
    from lowpanbudget.capture.files.reading import AHEAD, has_magic

    try:
        if not Path(path).is_file():
            return ""
        with Path(path).open("rb") as file:
            octets = HiddenOctets(file.read(AHEAD))  # it may be a key file
            if not has_magic(octets):
                octets = HiddenOctets(octets + file.read(_LARGEST))
    except (OSError, ValueError):
        return ""
    return _kind(octets)


def _kind(octets: bytes) -> str:
    from lowpanbudget.capture.files.key_file import TABLES
    from lowpanbudget.capture.files.line_octets import SETTING
    from lowpanbudget.capture.files.reading import AHEAD, has_magic, starts_capture

    octets = HiddenOctets(octets)
    if has_magic(octets[:AHEAD]):
        return "capture"
    from lowpanbudget.design.shape import DesignShape  # of no use to most captures

    heads = set(_HEAD.findall(octets.decode("utf-8", "replace")))
    if heads & {*(name for name, *_ in TABLES), "devices"}:
        return "key file"
    if heads & set(DesignShape.keys):
        return "design file"
    if SETTING.search(octets.decode("utf-8", "replace")):
        return ""  # perhaps keys: the reader of logs would hold its lines in variables
    try:
        return "capture" if starts_capture(octets[:AHEAD]) else ""
    except BaseException as error:  # noqa: BLE001  # the steps of the reader hold the text in their variables
        raise error.with_traceback(None) from None


def _other_than_design(path: str) -> RequestError | None:
    return _instead_of_design(path, kind_of(path), is_empty=_is_empty(path))


def _instead_of_design(path: str, what: str, *, is_empty: bool) -> RequestError | None:
    name, is_file = _program(), path != STANDARD_INPUT
    given = path if is_file else "-"
    if what == "capture":
        return RequestError(
            f"{path} is a capture, not a design file",
            hint=f"Give the design file here; {name} audit {given} --design FILE compares the two, "
            f"{name} survey {given} looks through the capture alone",
        )
    if what == "key file":
        return RequestError(
            f"{path} is a key file, not a design file",
            hint=f"Commands that read captures take it as --keys {path if is_file else 'FILE'}",
        )
    if is_empty:
        return RequestError(
            f"{path} is empty, not a design file",
            hint=f"{name} init {f'--force {path} ' if is_file else ''}writes a design to begin with",
        )
    return None


def _other_than_capture(path: str) -> RequestError | None:
    what, name = kind_of(path), _program()
    if what == "design file":
        return RequestError(
            f"{path} is a design file, not a capture",
            hint=f"Give a capture, and the design as --design {path}; what the design alone tells: "
            f"{name} fit {path}, {name} budget {path}",
        )
    if what == "key file":
        return RequestError(
            f"{path} is a key file, not a capture",
            hint=f"Give a capture, and the keys as --keys {path}",
        )
    return None


def is_folder(path: str) -> bool:
    """Return whether a path is that of a folder that one may look at."""
    try:
        return Path(path).is_dir()
    except (OSError, ValueError):
        return False


def _is_there(path: str) -> bool:
    try:
        return Path(path).exists()
    except (OSError, ValueError):
        return False


def _is_empty(path: str) -> bool:
    try:
        return Path(path).is_file() and not Path(path).stat().st_size
    except (OSError, ValueError):
        return False


def _unreadable(path: str, what: str) -> RequestError | None:
    """Return why a file cannot be opened; None where it can. A key, typed in its place, is not shown."""
    from lowpanbudget.capture.files.key_file import named

    if not path:
        return RequestError("no file is named", hint=f"Give the name of a {what}")
    try:
        file = Path(path)
        if file.is_dir():
            return RequestError(
                f"{path} cannot be read: it is a folder, not a {what}",
                hint=f"Give the name of a {what} in it",
            )
        if file.exists():
            if os.access(file, os.R_OK):
                return None
            return RequestError(
                f"{path} cannot be read: it is there, and you may not read it",
                hint="ls -l tells whose it is; its owner lets you read it",
            )
    except PermissionError:
        return RequestError(
            f"{path} cannot be read: you may not look into its folder",
            hint="ls -l tells whose the folders on the way are",
        )
    except (OSError, ValueError) as error:
        return RequestError(
            f"{path} cannot be read: {getattr(error, 'strerror', None) or error}",
            hint=f"Give the name of a {what}",
        )
    near = _near(path)
    hint = f"Did you mean {' or '.join(near)}?" if near else f"Give the name of a {what}"
    if not near and file.name in examples():
        hint = f"{_program()} init --example {file.name} {file.name} writes it"
    elif not near and what == "design file":
        hint += f"; {_program()} init {file.name if file.suffix else 'mesh.toml'} writes one to begin with"
    if named(path) != repr(path):
        return RequestError(
            f"the {what} {named(path)} cannot be read: there is no such file",
            hint=f"Give the name of a {what}; keys stand in a file, given with --keys",
        )
    return RequestError(f"{path} cannot be read: there is no such file", hint=hint)


def _near(path: str) -> list[str]:
    """Return the files beside which a name could stand for."""
    file = Path(path)
    try:
        names = [one.name for one in file.parent.iterdir() if not one.name.startswith(".")]
    except (OSError, ValueError):
        return []
    import difflib

    near = difflib.get_close_matches(file.name, names, _MOST_NEAR, _NEAR)
    return [str(file.parent / one) for one in near if _alike(file.stem, Path(one).stem)]


def _alike(name: str, other: str) -> bool:
    """Return whether names without what ends them are alike: every second file ends in .toml."""
    import difflib

    return difflib.SequenceMatcher(None, name, other).ratio() >= _NEAR


def _program() -> str:
    """Return the name of the program as it was started."""
    context = click.get_current_context(silent=True)
    return context.find_root().info_name or "lowpanbudget" if context else "lowpanbudget"
