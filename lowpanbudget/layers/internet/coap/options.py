"""CoAP options as values and on the wire (RFC 7252 section 3.1), block options among them (RFC 7959 section 2.2).

  0   1   2   3   4   5   6   7
+---------------+---------------+
| option delta  | option length |   1 octet
+---------------+---------------+
| delta (extended), 0-2 octets  |
| length (extended), 0-2 octets |
| value, 0 or more octets       |
+-------------------------------+

13 and 14 in a nibble say what the next one or two octets add to, so each number has one form only.
"""

from dataclasses import dataclass

from lowpanbudget.bits import Reader, Span, Writer
from lowpanbudget.cites import rfc
from lowpanbudget.errors import Malformed, RequestError, Reserved, WireError
from lowpanbudget.layers.internet.coap.registry import (
    BLOCK_CITE,
    BLOCKS,
    BY_NAME,
    DEFINITIONS,
    LONGEST_VALUE,
    NUMBERS_CITE,
    OSCORE,
    Block,
    Definition,
    definition,
)
from lowpanbudget.layers.internet.oscore import option as oscore_option

CITE = rfc(7252, "3.1")
LARGEST_NUMBER = 0xFFFF  # RFC 7252 section 12.2: the registry ends there
MARKER = 0xFF
_MARKER = ("payload marker", "options end, payload begins", rfc(7252, "3"), "no payload")
_PAYLOAD = ("payload", "application data", rfc(7252, "3"))
_EXTENDED = {13: (1, 13), 14: (2, 269)}  # nibble: octets that follow, and what they are added to


@dataclass(frozen=True, slots=True)
class CoapOption:
    """One option of a message: its number and the octets of its value."""

    number: int
    octets: bytes = b""

    def __post_init__(self) -> None:
        if not 0 <= self.number <= LARGEST_NUMBER:
            raise RequestError(f"option number {self.number} is not 0 to 65535", cite=NUMBERS_CITE)
        if len(self.octets) > LONGEST_VALUE:
            raise RequestError(
                f"an option value of {len(self.octets)} octets is over {LONGEST_VALUE}",
                cite=CITE,
            )

    @property
    def definition(self) -> Definition:
        """Return what the standard says of this option."""
        return definition(self.number)

    @property
    def name(self) -> str:
        """Return the option's name."""
        return self.definition.name

    @property
    def fits(self) -> bool:
        """Return whether the value's length is one that the option may have."""
        row = self.definition
        return row.shortest <= len(self.octets) <= row.longest

    @property
    def value(self) -> int | str | bytes | Block:
        """Return the value by its format: int, str, octets or ``Block``.

        Octets also where the length is outside the limits or a text is not UTF-8: nothing may be read from them.
        """
        row = self.definition
        if not self.fits or row.format in ("opaque", "empty"):
            return self.octets
        if row.format == "string":
            try:
                return self.octets.decode()
            except UnicodeDecodeError:
                return self.octets
        number = int.from_bytes(self.octets, "big")
        return Block.of(number) if self.number in BLOCKS else number

    @property
    def meaning(self) -> str:
        """Return the value in words."""
        row = self.definition
        if not self.fits:
            limits = f"{row.shortest} to {row.longest}" if row.longest else "0"
            return f"{len(self.octets)} octets where {limits} are allowed"
        if row.format == "uint" and row.meaning is not None:
            return row.meaning(int.from_bytes(self.octets, "big"))
        return {"string": "text", "uint": "number", "empty": "no value"}.get(row.format, "octets")

    @classmethod
    def of(cls, name: str | int, value: "int | str | bytes | Block | None" = None) -> "CoapOption":
        """Return an option from its name or number and a value of its format, in the fewest octets.

        Raises ``RequestError`` for an unknown name, a value of another kind, or one outside the limits.
        """
        row = definition(name) if isinstance(name, int) else BY_NAME.get(name.lower())
        if row is None:
            raise RequestError(
                f"no option is named {name!r}",
                cite=NUMBERS_CITE,
                hint="Known: " + ", ".join(known.name for known in DEFINITIONS.values()),
            )
        option = cls(row.number, _octets_of(row, value))
        if not option.fits:
            raise RequestError(f"{row.name}: {option.meaning}", cite=row.cite)
        return option


def _octets_of(row: Definition, value: "int | str | bytes | Block | None") -> bytes:
    if isinstance(value, Block):
        if not 0 <= value.szx <= 6 or not 0 <= value.num < 1 << 20:
            raise RequestError(
                f"block {value.num} with size exponent {value.szx}: the number has 20 bits and the exponent is 0 to 6",
                cite=BLOCK_CITE,
            )
        value = int(value)
    if row.format == "uint" and isinstance(value, int) and not isinstance(value, bool):
        if value < 0:
            raise RequestError(f"{row.name} is {value}: below 0", cite=rfc(7252, "3.2"))
        return value.to_bytes((value.bit_length() + 7) // 8, "big")
    if row.format == "string" and isinstance(value, str):
        return value.encode()
    if value is None and row.format != "string":
        return b""
    if isinstance(value, bytes):
        return value
    raise RequestError(f"{row.name} takes {_WANTS[row.format]}, not {value!r}", cite=row.cite)


_WANTS = {
    "empty": "no value",
    "opaque": "octets",
    "uint": "a number",
    "string": "a text",
}


def decode_options(reader: Reader) -> tuple[tuple[CoapOption, ...], bytes]:
    """Return the options and the payload that fill what is left; raises as ``decode``."""
    layer = reader.layer
    options: list[CoapOption] = []
    number = 0
    while reader.left:
        if reader.peek("an option") == MARKER:
            reader.octets(1, *_MARKER, value=MARKER)
            if not reader.left:
                raise Malformed(
                    "a payload marker without payload",
                    offset=reader.pos - 1,
                    layer=layer,
                    cite=CITE,
                )
            return tuple(options), reader.rest(*_PAYLOAD, free=True)
        option = _decode_option(reader, number)
        options.append(option)
        number = option.number
    return tuple(options), b""


def _decode_option(reader: Reader, previous: int) -> CoapOption:
    start = reader.pos
    head = reader.raw(1, "an option", CITE)[0]
    if head >> 4 == 15 or head & 15 == 15:
        raise Reserved(
            f"option {'delta' if head >> 4 == 15 else 'length'} 15 is reserved",
            offset=start, layer=reader.layer, cite=CITE,
        )  # fmt: skip
    number = previous + _extended(reader, head >> 4, "option delta")
    if number > LARGEST_NUMBER:
        raise Malformed(
            f"option number {number} is over {LARGEST_NUMBER}",
            offset=start, layer=reader.layer, cite=NUMBERS_CITE,
        )  # fmt: skip
    length = _extended(reader, head & 15, "option length")
    option = CoapOption(number, reader.raw(length, f"the value of {definition(number).name}", CITE))
    reader.spans += _option_spans(option, previous, reader.layer, start)
    return option


def _extended(reader: Reader, nibble: int, name: str) -> int:
    octets, base = _EXTENDED.get(nibble, (0, nibble))
    return base + int.from_bytes(reader.raw(octets, name, CITE), "big")


def _nibble(value: int) -> tuple[int, bytes]:
    """Return the four bits that stand for ``value``, and the octets that follow."""
    for nibble, (octets, base) in reversed(_EXTENDED.items()):
        if value >= base:
            return nibble, (value - base).to_bytes(octets, "big")
    return value, b""


def _option_spans(option: CoapOption, previous: int, layer: str, start: int) -> list[Span]:
    """Return the spans of an option at octet ``start``: the one text for reading and writing."""
    row = option.definition
    delta, length = option.number - previous, len(option.octets)
    spans: list[Span] = []
    at = start * 8
    extended = []
    for name, value, meaning in (
        ("option delta", delta, row.label),
        ("option length", length, "octets of value"),
    ):
        nibble, octets = _nibble(value)
        extended += [(name, value, meaning, octets)] if octets else []
        spans.append(Span(at, 4, layer, name, nibble, meaning, row.cite, row.removed_by))
        at += 4
    for name, value, meaning, octets in extended:
        saved = f"{name} below {_EXTENDED[12 + len(octets)][1]}"
        spans.append(
            Span(at, len(octets) * 8, layer, f"{name}, extended", value, meaning, CITE, saved)
        )
        at += len(octets) * 8
    return spans + _value_spans(option, layer, at)


def _value_spans(option: CoapOption, layer: str, at: int) -> list[Span]:
    row, bits = option.definition, len(option.octets) * 8
    if not bits:
        return []
    if option.number == OSCORE:
        reader = Reader(option.octets)
        try:
            oscore_option.decode(reader)
        except WireError:
            pass  # what is wrong with it is for coap_flaws to say; the octets stay one value
        else:
            return [span._replace(offset_bits=span.offset_bits + at) for span in reader.spans]
    if option.number in BLOCKS and option.fits:
        number = int.from_bytes(option.octets, "big")
        return [
            Span(
                at,
                bits - 4,
                layer,
                f"{row.name} number (NUM)",
                number >> 4,
                "block number",
                BLOCK_CITE,
            ),
            Span(
                at + bits - 4,
                1,
                layer,
                f"{row.name} more (M)",
                number >> 3 & 1,
                "more blocks follow",
                BLOCK_CITE,
            ),
            Span(
                at + bits - 3,
                3,
                layer,
                f"{row.name} size exponent (SZX)",
                number & 7,
                option.meaning,
                BLOCK_CITE,
            ),
        ]
    return [Span(at, bits, layer, row.name, option.value, option.meaning, row.cite, row.removed_by)]


def encode_options(writer: Writer, options: tuple[CoapOption, ...], payload: bytes) -> None:
    """Append options, which are in the order of their numbers, and the payload behind its marker."""
    previous = 0
    for option in options:
        delta, delta_octets = _nibble(option.number - previous)
        length, length_octets = _nibble(len(option.octets))
        writer.spans += _option_spans(option, previous, writer.layer, writer.pos)
        writer.data += bytes([delta << 4 | length]) + delta_octets + length_octets + option.octets
        previous = option.number
    if payload:
        writer.octets(bytes([MARKER]), *_MARKER, value=MARKER)
        writer.octets(payload, *_PAYLOAD)
