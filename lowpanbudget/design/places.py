"""Line and column of a value in a TOML text, found by marking it.

No TOML reader keeps the place of a value. So the text is read by a library that writes it back unchanged, the value is
replaced by a marker, and where the marker turns up is the place. Only the path of an error pays for this.
"""

from typing import Any

_MARK = "\x00mark\x00".replace("\x00", "~")


class Places:
    """Finds places in ``text``, which must be valid TOML."""

    def __init__(self, text: str) -> None:
        self._text = text

    def of(self, path: tuple[str | int, ...]) -> tuple[int, int]:
        """Return line and column, from 1, of the value at a path.

        A value that is missing has the place of the table that should hold it.
        """
        while path:
            found = self._mark(path)
            if found is not None:
                return found
            path = path[:-1]
        return 1, 1

    def _mark(self, path: tuple[str | int, ...]) -> tuple[int, int] | None:
        import tomlkit  # noqa: PLC0415  # heavy: only errors pay for it
        from tomlkit.exceptions import TOMLKitError  # noqa: PLC0415

        try:
            document = tomlkit.parse(self._text)
            table: Any = document
            for part in path[:-1]:
                table = table[part]
            value = table[path[-1]]
            if isinstance(value, dict):
                return self._first_of(path, value)
            if isinstance(value, list) and value and isinstance(value[0], dict):
                return self._first_of((*path, 0), value[0])
            table[path[-1]] = _MARK
            dumped = tomlkit.dumps(document)
        except (TOMLKitError, KeyError, IndexError, TypeError, ValueError):
            return None
        at = dumped.find(f'"{_MARK}"')
        if at < 0:
            return None
        before = dumped[:at]
        return before.count("\n") + 1, at - (before.rfind("\n") + 1) + 1

    def _first_of(
        self, path: tuple[str | int, ...], value: dict[str, Any]
    ) -> tuple[int, int] | None:
        """Return the place of a table: that of its first key."""
        for key in value:
            found = self._mark((*path, key))
            if found is not None:
                return found[0], 1
        return None
