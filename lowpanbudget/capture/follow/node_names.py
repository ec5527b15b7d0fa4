"""What people type for a node: a short address, an EUI-64, an IPv6 address, or a station of a design."""

import re
from collections.abc import Iterable
from ipaddress import IPv6Address
from typing import NamedTuple

from lowpanbudget.env import link_address, link_text
from lowpanbudget.errors import RequestError

_SHORT = re.compile(r"(0[xX])?([0-9a-fA-F]{1,4})")
_LARGEST = 0xFFFF
_DECIMAL = re.compile(r"[0-9]{5}")  # more digits than a short address has in hex
_PAIRS = re.compile(r"(?:[0-9a-fA-F]{2}:){7}[0-9a-fA-F]{2}")  # also reads as an IPv6 address
_LONG = re.compile(r"(?:0[xX])?[0-9a-fA-F]{16}")
_BETWEEN = re.compile(r"[.:-]")
_HOW = "A short address such as 0x0012, an EUI-64, an IPv6 address, or a station of the design"


class NodeName(NamedTuple):
    """A node as it was typed: its link address or its IPv6 address, and what that is in words.

    ``is_plain``: it was typed as it is shown everywhere, and nobody can have meant another.
    """

    link: bytes | None
    address: IPv6Address | None
    words: str
    is_plain: bool


def node_name(text: str, name: str, stations: Iterable[str] = ()) -> NodeName:
    """Return what a node's name or address stands for; ``stations`` are names that a hint may tell.

    Raises ``RequestError`` that names ``name``, also for digits that may be hexadecimal or decimal.
    """
    text = text.strip()
    if text.startswith(".."):
        raise RequestError(
            f"{name} {text!r} is the end of an address",
            hint="Write the whole: a list of frames says above it what its addresses begin with",
        )
    link = _short(text, name) or _long(text)
    if link is not None:
        shown = link_text(link)
        kind = "short address" if len(link) == 2 else "EUI-64"
        plain = text.lower() in {shown, link.hex(), link.hex("-")} and (
            len(link) > 2 or text.lower().startswith("0x")
        )
        return NodeName(link, None, f"the {kind} {shown}", plain)
    try:
        if ":" in text:
            address = IPv6Address(text.strip("[]").partition("%")[0])
            return NodeName(None, address, f"the IPv6 address {address}", is_plain=True)
        link = link_address(text, name)
    except (RequestError, ValueError):
        known = ", ".join(stations)
        hint = f"{_HOW}: {known}" if known else _HOW
        raise RequestError(f"{name} {text!r} is no node", hint=hint) from None
    return NodeName(link, None, f"the link address {link_text(link)}", is_plain=True)


def _short(text: str, name: str) -> bytes | None:
    """Return the short address that a text is, in hexadecimal unless it can only be decimal; None for another text."""
    if _DECIMAL.fullmatch(text) and int(text) <= _LARGEST:
        return int(text).to_bytes(2, "big")
    match = _SHORT.fullmatch(text)
    if match is None:
        return None
    digits = match[2]
    number = int(digits, 16)
    is_whole = match[1] or len(digits) == 4  # as addresses are shown
    if not is_whole and digits.isdecimal() and int(digits) != number:
        raise RequestError(
            f"{name} {text!r} may be 0x{number:04x} or {int(digits)} = 0x{int(digits):04x}",
            hint="Write the one that is meant, with 0x before it",
        )
    return number.to_bytes(2, "big")


def _long(text: str) -> bytes | None:
    """Return the EUI-64 that a text is: sixteen digits, in pairs or fours if they are parted; None for another text."""
    parts = _BETWEEN.split(text)
    parted = _PAIRS.fullmatch(text) or {len(part) for part in parts} in ({2}, {4})
    digits = "".join(parts) if parted else text
    if not _LONG.fullmatch(digits):
        return None
    return bytes.fromhex(digits[-16:])
