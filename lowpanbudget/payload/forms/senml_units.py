"""What units take in SenML packs: a base unit stands once for all records that share it (RFC 8428 section 4.1)."""

from collections.abc import Callable
from typing import NamedTuple

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

    def _size(self, entry: Entry, label: str) -> int:
        bare = {other: item for other, item in entry.items() if other != label}
        return len(self.write([entry])) - len(self.write([bare]))
