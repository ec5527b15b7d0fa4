"""How values show themselves (``repr``): in one line, octets in hex, and of what is long the beginning."""

from collections.abc import Callable, Iterable
from ipaddress import IPv6Address
from typing import Any

_WHOLE = 16  # octets that are shown whole
_LONG = 120  # characters of several items; those behind are counted
_MOST = 1200  # characters of a value's attributes; those behind are counted


def shown(value: Any) -> str:
    """Return a value as an attribute of another one shows it; what shows itself otherwise, as a key does, does so."""
    own: Any = type(value).__repr__
    if own is bytes.__repr__ or own is bytearray.__repr__:
        return _octets(bytes(value))
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


def shown_parts(parts: Iterable[str], count: int) -> str:
    """Return the attributes of a value, ``count`` of them, each shown with its name: one that holds much begins."""
    return _some(parts, count, _MOST)


def showing(*names: str) -> Callable[[Any], str]:
    """Return the ``__repr__`` of what works rather than tells: how far it is, by these attributes."""

    def show(self: Any) -> str:
        parts = (f"{name}={shown(getattr(self, name))}" for name in names)
        return f"{type(self).__qualname__}({shown_parts(parts, len(names))})"

    return show


def _some(items: Iterable[str], count: int, most: int = _LONG) -> str:
    said: list[str] = []
    length = 0
    for item in items:
        if length > most:
            said.append(f"... {count} in all")
            break
        said.append(item)
        length += len(item)
    return ", ".join(said)


def shown_link(address: Any) -> str:
    """Return octets that are a link address as text that is read as one, such as ``'0x0012'``; others as ``shown``.

    Of a mapping those among keys and items, of a tuple those in it.
    """
    if type(address) is tuple:
        return (
            f"({_some(map(shown_link, address), len(address))}{',' if len(address) == 1 else ''})"
        )
    if isinstance(address, dict):
        items = (f"{shown_link(key)}: {shown_link(one)}" for key, one in address.items())
        return f"{{{_some(items, len(address))}}}"
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
    said = [
        f"{name}={(shown_link if name in links else shown)(one)}"
        for name, one in zip(value._fields, value, strict=True)
        if name not in defaults or one != defaults[name]
    ]
    return f"{type(value).__name__}({shown_parts(said, len(said))})"


LINK_ADDRESS = {"shown": shown_link}  # what an attribute states (``field(metadata=...)``)
IP_ADDRESS = {"shown": shown_ip}
