"""Octets and text that nobody is to see: shown, they tell how long they are.

A traceback with local variables, a debugger or a log shows a variable by its ``repr``, wherever it stands: in a list, a
table, a frame of a call. So keys are such octets from where they are read to where the cipher takes them. They are
``bytes`` and ``str`` in all else. What a caller gives as plain octets stands so in his own variables, and in those of
the call that looks at it first: give a ``Key``.
"""

from typing import Any


class HiddenOctets(bytes):
    """Octets of a key, or of what it is derived from."""

    __slots__ = ()

    def __repr__(self) -> str:
        return f"<{len(self)} octets, not shown>"

    __str__ = __repr__

    def __getitem__(self, place: Any) -> Any:
        """Return one octet, or a part that is not shown either: who shortens a long text shows its beginning."""
        if isinstance(place, slice):
            return HiddenOctets(bytes.__getitem__(self, place))
        return bytes.__getitem__(self, place)


class HiddenText(str):
    """Text that may hold a key."""

    __slots__ = ()

    def __repr__(self) -> str:
        return f"<{len(self)} characters, not shown>"

    def __getitem__(self, place: Any) -> "HiddenText":
        return HiddenText(str.__getitem__(self, place))


def hidden(value: Any) -> Any:
    """Return what a file holds with every text in it hidden, and what might be a key that was written as a number."""
    if isinstance(value, dict):
        return {HiddenText(name): hidden(item) for name, item in value.items()}
    if isinstance(value, list):
        return [hidden(item) for item in value]
    return value if isinstance(value, int) and value >> 48 == 0 else HiddenText(value)
