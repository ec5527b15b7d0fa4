"""Keys from a file that its owner alone may read. Nothing here ever shows what a key file holds.

[[key]]
octets = "00112233445566778899aabbccddeeff"   # 16 octets; an invented key
key_id_mode = 1                               # optional, as are the next two: they limit the key's use
index = 1
source = "0a0b0c0d"

[devices]
"0x0001" = "0200000000000001"                 # short address = EUI-64
"0xabcd/0x0002" = "0200000000000002"          # PAN ID / short address = EUI-64

``content_keys`` has the tables [[oscore]] and [[dtls]].
"""

import os
import re
import stat
import sys
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

from lowpanbudget.capture.files.content_keys import (
    DTLS_TABLE,
    LARGEST_NUMBER,
    NUMBER,
    OSCORE_TABLE,
    KeyRow,
    dtls_sender,
    no_others,
    oscore_context,
)
from lowpanbudget.errors import RequestError, repeated
from lowpanbudget.hidden import HiddenOctets, HiddenText, hidden
from lowpanbudget.layers.internet.dtls.sender import DtlsSender
from lowpanbudget.layers.internet.oscore.context import SecurityContext
from lowpanbudget.layers.link.security import Key
from lowpanbudget.values import FrozenDict, dataclass, field

Kind = TypeVar("Kind")
_LARGEST = 1 << 20
KEY_NUMBERS = ("key_id_mode", "index")
KEY_TABLE = {
    "octets": KeyRow("text", "The link key: 16 octets, as 32 hex digits in quotes.", needed=True),
    "key_id_mode": KeyRow(NUMBER, "How frames under this key name it: 0 to 3; else any."),
    "index": KeyRow(NUMBER, "The key index that they carry; else any."),
    "source": KeyRow(
        "text",
        "The key source that they carry, in hex, most significant octet first or in the order of the air: "
        "4 octets in mode 2, 8 in mode 3; else any.",
    ),
}
# name, meaning and keys of each table
TABLES = (
    ("key", "A link key, in a file that only its owner can read.", KEY_TABLE),
    ("oscore", "An OSCORE security context, which opens messages of both ends.", OSCORE_TABLE),
    (
        "dtls",
        "The keys of one end of a DTLS association, which open the records that it sends.",
        DTLS_TABLE,
    ),
)
DEVICES = (
    'EUI-64 of nodes that send under short addresses: "0x0001" = "0200000000000001", or "0xabcd/0x0001" with the PAN '
    "ID in front. Nonces of secured frames are made of them."
)
# what may be a secret: so many digits of hex or base64 in a row, whatever parts them
_SHORTEST_KEY = 16
_KEY = re.compile(r"[0-9a-fA-F]+|[A-Za-z0-9+/]+={1,2}|[A-Za-z0-9+]{20,}")
_EUI_64 = re.compile(r"(?:0x)?(?:[0-9a-fA-F]{2}[:-]?){7}[0-9a-fA-F]{2}")
# how the library's words on a fault of TOML begin, which are not shown; what is wrong then, and a hint
_TWICE = (
    (
        "Cannot overwrite",
        ": a name stands there for the second time",
        "Leave one of the two lines out: a device, and an entry of a key, stand once",
    ),
    (
        "Cannot declare",
        ": a table begins there for the second time",
        "Put all devices below one [devices]; what comes several times has two brackets, as [[key]]",
    ),
)
_NUMBER = re.compile(r"0[xX][0-9a-fA-F]{1,4}|[0-9]{1,5}")


@dataclass(frozen=True, slots=True)
class KeyRing:
    """What a key file holds.

    ``keys`` are link keys, ``devices`` EUI-64s in hex by short address or (PAN ID, short address). ``oscore`` are
    security contexts and ``dtls`` the keys of DTLS senders: with them, what stands sealed in datagrams is opened.
    """

    keys: tuple[Key, ...] = field(repr=False)
    devices: dict[int | tuple[int, int], str]
    oscore: tuple[SecurityContext, ...] = field(repr=False, default=())
    dtls: tuple[DtlsSender, ...] = field(repr=False, default=())


_TABLES = {"key": "[[key]]", "oscore": "[[oscore]]", "dtls": "[[dtls]]", "devices": "[devices]"}


def read_keys(path: str) -> KeyRing:
    """Return the keys and devices of a key file: TOML, which its owner alone may read.

    Raises ``RequestError`` for a file that others may read, and for faults by place, never by content.
    """
    text = _private_text(path)
    data = _parse(path, text)
    no_others(f"{path}: the top level", data, _TABLES)
    keys = _tables(path, text, data, "key", _key)
    contexts = _tables(path, text, data, "oscore", oscore_context)
    senders = _tables(path, text, data, "dtls", dtls_sender)
    devices = FrozenDict(_devices(path, text, data.get("devices", {})))
    if not (keys or contexts or senders or devices):
        raise RequestError(
            f"{path} has no key and no device in it",
            hint="Write [[key]] and octets = below it; or [[oscore]], [[dtls]] or [devices]",
        )
    return KeyRing(keys, devices, contexts, senders)


def _tables(
    path: str,
    text: HiddenText,
    data: dict[str, Any],
    name: str,
    read: Callable[[str, dict[str, Any]], Kind],
) -> tuple[Kind, ...]:
    """Return what each table of this name states."""
    entries = data.get(name, [])
    if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
        raise RequestError(
            f"{path}: {name} is not a list of tables",
            hint=f"Write [[{name}]] before each {name if name == 'key' else 'table of them'}",
        )
    begins = rf"^[ \t]*\[\[[ \t]*{name}[ \t]*\]\]"
    return tuple(
        read(f"{path}{_line(text, begins, number)}: {name} {number}", entry)
        for number, entry in enumerate(entries, 1)
    )


def _line(text: HiddenText, pattern: str, number: int = 1) -> str:
    """Return in words the line of so many matches of a pattern; nothing where it is written otherwise."""
    starts = [match.start() for match in re.finditer(pattern, text, re.MULTILINE)]
    if len(starts) < number:
        return ""
    line = text.count("\n", 0, starts[number - 1]) + 1
    return f", line {line}"


def _private_text(path: str) -> HiddenText:
    """Return the text of a file after making sure, on the open file itself, that others cannot read it."""
    try:
        with Path(path).open("rb") as file:
            facts = os.fstat(file.fileno())
            _refuse_shared(path, facts)
            octets = HiddenOctets(file.read(_LARGEST + 1))
    except (OSError, TypeError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise RequestError(
            f"the key file {named(path)} cannot be read: {reason}",
            hint="Give the name of a file with [[key]] and octets in it, which you alone can read",
        ) from None
    if len(octets) > _LARGEST:
        raise RequestError(
            f"the key file {path!r} is larger than {_LARGEST} octets",
            hint="A key file is a small text: [[key]] and octets below it",
        )
    try:
        return HiddenText(octets, "utf-8")
    except UnicodeDecodeError:
        raise RequestError(
            f"the key file {path!r} is no UTF-8 text", hint="A key file is TOML, written in UTF-8"
        ) from None


def named(path: object) -> str:
    """Return the name of a file that cannot be read, or none where it may be a key, typed in the file's place."""
    digits = re.sub(r"^0[xX]|[\s:,;-]", "", path if isinstance(path, str) else repeated(path))
    is_key = len(digits) >= _SHORTEST_KEY and _KEY.fullmatch(digits)
    return "that was given" if is_key else repeated(path)


def _refuse_shared(path: str, facts: os.stat_result) -> None:
    if sys.platform == "win32":
        return  # rights there are no mode bits
    if facts.st_mode & (stat.S_IRWXG | stat.S_IRWXO):
        raise RequestError(
            f"the key file {path!r} may be used by others (mode {stat.S_IMODE(facts.st_mode):04o})",
            hint=f"Let you alone read it: chmod 600 {path}; if others may have read it, change the keys",
        )
    if facts.st_uid not in (0, os.geteuid()):
        raise RequestError(
            f"the key file {path!r} belongs to another user",
            hint="Copy it, so that it is yours alone",
        )


def _parse(path: str, text: HiddenText) -> dict[str, Any]:
    place, hint = "", 'A key is written as octets = "32 hex digits"'
    try:
        parsed: dict[str, Any] = hidden(tomllib.loads(text))
    except (ValueError, RecursionError) as error:  # Python refuses numbers of over 4300 digits
        # the library's words may quote the line, which may be a key
        said = HiddenText(error)
        place = "".join(re.findall(r" \(at [a-z0-9, ]*\)$", said))
        for begins, what, then in _TWICE:
            if said.startswith(begins):
                place, hint = place + what, then
    except BaseException as error:  # noqa: BLE001  # its steps hold the text in their variables
        raise error.with_traceback(None) from None
    else:
        return parsed
    # told behind the error of the library, which would go along with its steps
    raise RequestError(f"{path}: no valid TOML{place}", hint=hint)


def _key(where: str, entry: dict[str, Any]) -> Key:
    no_others(where, entry, KEY_TABLE)
    if not isinstance(entry.get("octets"), str):
        raise RequestError(
            f'{where} needs octets = "...", 32 hex digits', hint='Write octets = "32 hex digits"'
        )
    for name in KEY_NUMBERS:
        value = entry.get(name)
        if value is not None and (
            isinstance(value, bool)
            or not isinstance(value, int)
            or not -LARGEST_NUMBER <= value <= LARGEST_NUMBER  # others could not even be shown
        ):
            raise RequestError(
                f"{where}: {name} is no whole number",
                hint=f"Write {name} = a whole number, or leave it out",
            )
    if not isinstance(entry.get("source", ""), str):
        raise RequestError(
            f"{where}: source is no hex text",
            hint='Write source = "hex digits in quotes", or leave it out',
        )
    try:
        return Key(**entry)
    except RequestError as error:
        raise RequestError(f"{where}: {error.message}", hint=error.hint, cite=error.cite) from None


def _devices(path: str, text: HiddenText, table: Any) -> dict[int | tuple[int, int], str]:
    if not isinstance(table, dict):
        raise RequestError(f"{path}: devices is no table", hint="Write [devices]")
    devices: dict[int | tuple[int, int], str] = {}
    for name, value in table.items():
        numbers = [_short(part) for part in name.split("/")]
        if len(numbers) > 2 or None in numbers or not isinstance(value, str):
            raise RequestError(
                f"{path}: device {len(devices) + 1} cannot be read",
                hint='Write "0x0001" = "EUI-64 in hex", or "PAN ID/short address" = "..."',
            )
        if not _EUI_64.fullmatch(value):
            # what is a number of two octets, or two of them, is no key
            line = _line(text, rf"^[^\n=]*{re.escape(name)}[\"']?[ \t]*=")
            raise RequestError(
                f"{path}{line}: device {''.join(name)} has no EUI-64",
                hint="Give its 8 octets in hex, most significant first",
            )
        known = [number for number in numbers if number is not None]
        devices[known[0] if len(known) == 1 else (known[0], known[1])] = str(value)
    return devices


def _short(text: str) -> int | None:
    text = text.strip()
    if not _NUMBER.fullmatch(text):
        return None
    number = int(text, 0) if text[:2].lower() == "0x" else int(text)
    return number if number <= 0xFFFF else None
