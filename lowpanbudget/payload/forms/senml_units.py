"""What units and times take in SenML packs: a base unit stands once for all that share it (RFC 8428 section 4.1)."""

from collections.abc import Callable, Mapping
from decimal import Decimal
from typing import NamedTuple

from lowpanbudget.payload.forms.doubles import number_of
from lowpanbudget.payload.forms.senml_records import Entry


class Units(NamedTuple):
    """The units of packs in JSON or CBOR, by how they are read and written."""

    read: Callable[[bytes], list[Entry]]
    write: Callable[[list[Entry]], bytes]

    def taken(self, octets: bytes) -> dict[str, int]:
        """Return the octets that each unit takes in a pack."""
        return {
            entry[label]: self._size(entry, label)
            for entry in self.read(octets)
            for label in entry.keys() & {"u", "bu"}
        }

    def alone(self, unit: str) -> int:
        """Return the octets of a unit that one record has."""
        return self._size({"n": "x", "u": unit}, "u")

    def shared(self, unit: str) -> int:
        """Return the octets of a unit that several records have."""
        return self._size({"n": "x", "bu": unit}, "bu")

    def time(self, seconds: Decimal) -> int:
        """Return the octets of the time of a record."""
        return self._size({"n": "x", "t": number_of(seconds)}, "t")

    def shorter_times(self, octets: bytes, longest: Mapping[str, int]) -> int:
        """Return by how many octets the times in a pack are shorter than the longest of each array."""
        return sum(
            longest[name] - (self._size(entry, "t") if "t" in entry else 0)
            for entry in (self.read(octets) if longest else ())
            if (name := entry.get("n", "").split("/")[0]) in longest
        )

    def _size(self, entry: Entry, label: str) -> int:
        bare = {other: item for other, item in entry.items() if other != label}
        return len(self.write([entry])) - len(self.write([bare]))
