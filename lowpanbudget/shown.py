"""How values show themselves (``repr``): in one line, octets in hex, and of what is long the beginning."""

from collections.abc import Iterable
from ipaddress import IPv6Address
from typing import Any

_WHOLE = 16  # octets that are shown whole
_LONG = 120  # characters of several items; those behind are counted


def shown(value: Any) -> str:
    """Return a value as an attribute of another one shows it; what shows itself otherwise, as a key does, does so."""
    own: Any = type(value).__repr__
    if own is bytes.__repr__:
        return _octets(value)
    if own is dict.__repr__:
        items = (f"{shown(key)}: {shown(one)}" for key, one in value.items())
        return f"{{{_some(items, len(value))}}}"
    if own is list.__repr__:
        return f"[{_some(map(shown, value), len(value))}]"
    if own is tuple.__repr__ and not hasattr(value, "_fields"):
        return f"({_some(map(shown, value), len(value))}{',' if len(value) == 1 else ''})"
    if type(value) is str and len(value) > _LONG:
        return f"<{len(value)} characters, {value[: _LONG // 3]!r}...>"
    return repr(value)


def _octets(value: bytes) -> str:
    if len(value) > _WHOLE:
        return f"<{len(value)} octets, {value[:_WHOLE].hex()}...>"
    plain = repr(value)
    return _hex(value) if "\\" in plain else plain


def _hex(value: bytes) -> str:
    return f"bytes.fromhex('{value.hex()}')"


def _some(items: Iterable[str], count: int) -> str:
    said: list[str] = []
    length = 0
    for item in items:
        if length > _LONG:
            said.append(f"... {count} in all")
            break
        said.append(item)
        length += len(item)
    return ", ".join(said)


def shown_link(address: Any) -> str:
    """Return octets that are a link address as text that is read as one, such as ``'0x0012'``; others as ``shown``."""
    if type(address) is not bytes or len(address) not in (2, 6, 8):
        return shown(address)
    return repr(f"0x{address.hex()}" if len(address) == 2 else address.hex(":"))


def shown_ip(address: Any) -> str:
    """Return 16 octets that are an IPv6 address as text, also several in a tuple; fewer in hex."""
    if type(address) is tuple:
        return f"({_some(map(shown_ip, address), len(address))}{',' if len(address) == 1 else ''})"
    if type(address) is not bytes or not address:
        return shown(address)
    if len(address) < 16:
        return _hex(address)
    return f"IPv6Address('{IPv6Address(address)}').packed"


def shown_named(value: Any, *links: str) -> str:
    """Return a named tuple as ``repr`` does, without those of its items that are as by default.

    ``links`` are the names of those that are link addresses.
    """
    defaults = value._field_defaults
    said = (
        f"{name}={(shown_link if name in links else shown)(one)}"
        for name, one in zip(value._fields, value, strict=True)
        if name not in defaults or one != defaults[name]
    )
    return f"{type(value).__name__}({', '.join(said)})"


LINK_ADDRESS = {"shown": shown_link}  # what an attribute states (``field(metadata=...)``)
IP_ADDRESS = {"shown": shown_ip}
