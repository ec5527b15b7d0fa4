"""ESC: extended dispatch types (RFC 8066 section 3).

    |     ESC       | ESC EXT Type  | Extended Dispatch Payload

The payload belongs to the extension type, and none is specified in an open standard: type and name are all that is
read. "if it reaches an ESC dispatch type for which it does not understand the ... octets, it MUST drop that packet".
"""

from lowpanbudget.cites import rfc
from lowpanbudget.fields import Pattern, Patterns, bits, layout_of, structure

CITE = rfc(8066, "3")
_REGISTRY = rfc(8066, "4")

TYPES = Patterns(
    "ESC extension types",
    _REGISTRY,
    (
        ("00000000", "reserved", "reserved", _REGISTRY),
        *(
            (bits, "command", "command of ITU-T G.9903 or G.9905", rfc(8066, "3.3"))
            for bits in ("00000001", "0000001x", "000001xx", "00001xxx", "0001xxxx")
        ),
        *(
            (bits, "unassigned", "unassigned", _REGISTRY)
            for bits in ("001xxxxx", "01xxxxxx", "10xxxxxx", "110xxxxx", "1110xxxx")
        ),
        *(
            (bits, "unassigned", "unassigned", _REGISTRY)
            for bits in ("11110xxx", "111110xx", "1111110x", "11111110")
        ),
        ("11111111", "reserved", "reserved", _REGISTRY),
    ),
)


@structure("ESC", CITE, kw_only=False)
class Escape:
    """An escape: its extension type."""

    dispatch = bits(8, "an extension type follows", fixed=0x40)
    kind: int = bits(8, lambda value: TYPES[value].name, name="extension type")

    @property
    def entry(self) -> Pattern:
        """Return the registry's entry, with key ("command", "unassigned", "reserved"), name and cite."""
        return TYPES[self.kind]


LAYOUT = layout_of(Escape)
HEADER, decode = LAYOUT.word, LAYOUT.read
