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

from lowpanbudget.bits import Nature, Reader, Span, Writer
from lowpanbudget.cites import rfc
from lowpanbudget.declared import as_whole
from lowpanbudget.errors import Malformed, RequestError, Reserved, WireError, repeated
from lowpanbudget.fields import Bits, Drawing, Extended, Header, LayoutPart, Values
from lowpanbudget.layers.internet.coap.block import Block
from lowpanbudget.layers.internet.coap.registry import (
    LONGEST_VALUE,
    NUMBERS_CITE,
    OSCORE,
    OptionDefinition,
    definition,
    named,
)
from lowpanbudget.layers.internet.oscore import option as oscore_option
from lowpanbudget.values import dataclass

CITE = rfc(7252, "3.1")
LARGEST_NUMBER = 0xFFFF  # RFC 7252 section 12.2: the registry ends there
MARKER = 0xFF
_MARKER = ("payload marker", "options end, payload begins", rfc(7252, "3"), "no payload")
_PAYLOAD = ("payload", "application data", rfc(7252, "3"))
_HEAD = Header("CoAP option", CITE, (Bits("option delta", 4), Bits("option length", 4)))
_NUMBER = Extended({13: (1, 13), 14: (2, 269)})
_NO_NUMBER = 15


@dataclass(frozen=True, slots=True)
class CoapOption:
    """One option of a message: its ``number`` and the ``octets`` of its value (RFC 7252 section 3.1).

    ``CoapOption.of(name, value)`` makes the octets of a value by the option's format; ``name``, ``value``, ``meaning``
    and ``fits`` tell what the octets say. Raises ``RequestError`` for a number over 65535 or octets that are too many.
    """

    number: int
    octets: bytes = b""

    def __post_init__(self) -> None:
        if type(self.number) is not int:  # of every option that is read it is
            object.__setattr__(self, "number", _whole(self.number))
        if not 0 <= self.number <= LARGEST_NUMBER:
            raise RequestError(
                f"option number {repeated(self.number)} is not 0 to 65535", cite=NUMBERS_CITE
            )
        if not isinstance(self.octets, bytes):
            raise RequestError("the value of an option is octets: of(name, value) makes them")
        if len(self.octets) > LONGEST_VALUE:
            raise RequestError(
                f"an option value of {len(self.octets)} octets is over {LONGEST_VALUE}",
                cite=CITE,
            )

    @property
    def definition(self) -> OptionDefinition:
        """Return what the standard says of this option."""
        return definition(self.number)

    @property
    def name(self) -> str:
        """Return the option's name."""
        return self.definition.name

    @property
    def fits(self) -> bool:
        """Return whether the value's length is one that the option may have."""
        return self.definition.value.fits(self.octets)

    @property
    def value(self) -> int | str | bytes | Block:
        """Return the value by its format: int, str, octets or ``Block``.

        Octets also where the length is outside the limits or a text is not UTF-8: nothing may be read from them.
        """
        if not self.fits:
            return self.octets
        value: int | str | bytes | Block = self.definition.value.value_of(self.octets)
        return value

    @property
    def meaning(self) -> str:
        """Return the value in words."""
        return self.definition.value.meaning_of(self.octets)

    @classmethod
    def of(cls, name: str | int, value: "int | str | bytes | Block | None" = None) -> "CoapOption":
        """Return an option from its name or number and a value of its format, in the fewest octets.

        Raises ``RequestError`` for an unknown name, a value of another kind, or one outside the limits.
        """
        row = named(name)
        option = cls(row.number, row.value.octets_of(value, row.cite))
        if not option.fits:
            raise RequestError(f"{row.name}: {option.meaning}", cite=row.cite)
        if option.octets in row.never:
            raise RequestError(
                f"{row.name} is never {option.octets.decode()!r}", cite=row.cite,
                hint="Resolve the path first: leave . out, and .. with the segment before it",
            )  # fmt: skip
        return option


def _whole(number: object) -> int:
    whole = as_whole(number)
    if whole is None:
        hint = "CoapOption.of(name, value) takes a name" if isinstance(number, str) else ""
        said = f"the number of an option is a whole number, not {repeated(number)}"
        raise RequestError(said, cite=NUMBERS_CITE, hint=hint)
    return whole


class CoapOptions(LayoutPart):
    """The options of a message, which are in the order of their numbers, up to the payload marker or the end."""

    def read(self, reader: Reader, _values: Values, _layout: Drawing) -> tuple[CoapOption, ...]:
        """Return the options."""
        options: list[CoapOption] = []
        number = 0
        while reader.left and reader.peek("an option") != MARKER:
            option = _decode_option(reader, number)
            options.append(option)
            number = option.number
        return tuple(options)

    def write(
        self, writer: Writer, value: tuple[CoapOption, ...], _values: Values, _layout: Drawing
    ) -> None:
        """Append the options."""
        previous = 0
        for option in value:
            delta, delta_octets = _NUMBER.split(option.number - previous)
            length, length_octets = _NUMBER.split(len(option.octets))
            head = _HEAD.pack({"option delta": delta, "option length": length})
            writer.spans += _option_spans(option, previous, writer.layer, writer.pos)
            writer.data += head + delta_octets + length_octets + option.octets
            previous = option.number


class CoapPayload(LayoutPart):
    """The payload behind its marker, if there is one."""

    def read(self, reader: Reader, _values: Values, _layout: Drawing) -> bytes:
        """Return the payload; raises ``Malformed`` for a marker with nothing behind."""
        if not reader.left:
            return b""
        reader.octets(1, *_MARKER, value=MARKER)
        if not reader.left:
            raise reader.fault(
                Malformed, "a payload marker without payload", CITE, at=reader.pos - 1
            )
        return reader.rest(*_PAYLOAD, free=True, nature=Nature.PAYLOAD)

    def write(self, writer: Writer, value: bytes, _values: Values, _layout: Drawing) -> None:
        """Append the payload."""
        if value:
            writer.octets(bytes([MARKER]), *_MARKER, value=MARKER)
            writer.octets(value, *_PAYLOAD, nature=Nature.PAYLOAD)


def _decode_option(reader: Reader, previous: int) -> CoapOption:
    start = reader.pos
    head = _HEAD.values_at(reader.raw(_HEAD.octets, "an option", CITE))
    if reserved := next((name for name, field in head.items() if field == _NO_NUMBER), None):
        raise reader.fault(Reserved, f"{reserved} 15 is reserved", CITE, at=start)
    number = previous + _NUMBER.read(reader, head["option delta"], "option delta", CITE)
    if number > LARGEST_NUMBER:
        raise reader.fault(
            Malformed, f"option number {number} is over {LARGEST_NUMBER}", NUMBERS_CITE, at=start
        )
    length = _NUMBER.read(reader, head["option length"], "option length", CITE)
    option = CoapOption(number, reader.raw(length, f"the value of {definition(number).name}", CITE))
    reader.spans += _option_spans(option, previous, reader.layer, start)
    return option


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
        nibble, octets = _NUMBER.split(value)
        extended += [(name, value, meaning, len(octets), nibble)] if octets else []
        spans.append(Span(at, 4, layer, name, nibble, meaning, row.cite, row.value.removed_by))
        at += 4
    for name, value, meaning, count, nibble in extended:
        saved = f"{name} below {_NUMBER.saved_below(nibble)}"
        spans.append(Span(at, count * 8, layer, f"{name}, extended", value, meaning, CITE, saved))
        at += count * 8
    return spans + _value_spans(option, layer, at)


def _value_spans(option: CoapOption, layer: str, at: int) -> list[Span]:
    if not option.octets:
        return []
    reader = Reader(option.octets, layer=layer)
    row = option.definition
    if option.number == OSCORE:
        try:
            oscore_option.decode(reader)
        except (
            WireError
        ):  # what is wrong with it is for the flaws to say; the octets stay one value
            reader = Reader(option.octets, layer=layer)
    if reader.left:
        row.value.read(reader, {}, row)
    return [span._replace(offset_bits=span.offset_bits + at) for span in reader.spans]
