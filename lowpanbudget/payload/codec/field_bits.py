"""What the runs of bits of a message are, whatever their values: how spans name and explain them."""

from collections.abc import Sequence
from typing import Any, NamedTuple

from lowpanbudget.bits import Nature
from lowpanbudget.payload.words import joined, text_of

# What a run of bits is for when it is not a value of its own.
ROLES = {
    "delta": "difference from the sample before",
    "escape": "sample in full after a jump",
    "presence": "which optional fields follow",
    "padding": "fills up the last octet",
}


class FieldBits(NamedTuple):
    """A run of bits: the field it is of (presence bits: the names), its role there, how many of it only round up.

    Those that do begin at bit ``padding_at`` of the run.
    """

    about: Any
    padding: int = 0
    role: str = "value"
    padding_at: int = 0

    @property
    def kind(self) -> str:
        """Return the kind of field, or the role of bits that no field has alone."""
        kind: str = self.role if self.role in ("count", "padding", "presence") else self.about.kind
        return kind

    @property
    def nature(self) -> Nature:
        """Return the nature of a span."""
        return Nature.PADDING if self.role == "padding" else Nature.PAYLOAD

    def label(self, path: Sequence[str | int]) -> str:
        """Return the name of a span."""
        name = joined(path)
        if self.role == "padding":
            return "padding"
        if self.role in ("count", "presence"):
            return f"{name} {self.role}".lstrip()
        return name or "reserved"

    def says(self, value: Any) -> str:
        """Return what a value means."""
        if self.role == "presence":
            return f"of {', '.join(self.about)}"
        if self.role == "count":
            less = f", sent less {self.about.least}" if self.about.least else ""
            return f"number of {self.about.counts} that follow{less}"
        if self.role in ROLES:
            return ROLES[self.role]
        field = self.about
        if not field.carries:
            return str(field.shown_note(field.value_bits()))
        unit = field.shown_unit()
        if not unit:
            return str(field.note)
        return "a special code, no number" if isinstance(value, str) else f"{text_of(value)} {unit}"
