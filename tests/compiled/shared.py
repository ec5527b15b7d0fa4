"""Generated sources as one, with functions that differ in nothing but the prefix of their names compiled once.

Formats of the same order share what moves bits, octet for octet; a compiler spends half of its time on it.
"""

import re

_HELPER = re.compile(
    r"^(?:/\*(?:(?!\*/).)*\*/\n)?"  # what is said of it
    r"(?:struct \w+_(?:in|out)_ \{.*?^\};\n|static (?!const)[^;{}]*?\)\n\{\n.*?^\}\n)",
    re.MULTILINE | re.DOTALL,
)
_NAME = re.compile(r"(?:/\*.*?\*/\n)?.*?(\w+_)(?: \{|\()", re.DOTALL)


class SharedHelpers:
    """Functions seen before: their text without their own name, in which what they call is named as it is compiled."""

    def __init__(self) -> None:
        self._seen: dict[str, str] = {}

    def source(self, text: str, prefix: str) -> str:
        """Return the text of a source with its known functions named instead of repeated."""
        compiled: dict[str, str] = {}  # by their names in this source, which stand before their use
        word = re.compile(rf"\b{prefix}_\w+_\b")

        def kept(found: re.Match[str]) -> str:
            named = _NAME.match(found[0])
            assert named is not None
            name = named[1]
            key = word.sub(
                lambda used: "@" if used[0] == name else compiled.get(used[0], used[0]), found[0]
            )
            compiled[name] = self._seen.setdefault(key, name)
            return found[0] if compiled[name] == name else ""

        rest = _HELPER.sub(kept, text)
        known = (f"#define {name} {other}\n" for name, other in compiled.items() if name != other)
        return "".join(known) + rest
