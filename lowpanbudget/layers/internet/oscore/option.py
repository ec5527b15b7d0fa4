"""The value of the OSCORE option: the compressed header of a COSE object (RFC 8613 section 6.1).

 0 1 2 3 4 5 6 7 <------------- n octets ------------->
+-+-+-+-+-+-+-+-+--------------------------------------
|0 0 0|h|k|  n  |       Partial IV (if any) ...
+-+-+-+-+-+-+-+-+--------------------------------------
 <- 1 octet -> <----- s octets ------>
+------------+----------------------+------------------+
| s (if any) | kid context (if any) | kid (if any) ... |
+------------+----------------------+------------------+
"""

from typing import NamedTuple

from lowpanbudget.arguments import explains, whole_number
from lowpanbudget.bits import Reader, Writer, as_octets
from lowpanbudget.cites import rfc
from lowpanbudget.errors import Malformed, RequestError, Reserved
from lowpanbudget.fields import (
    Drawing,
    OctetString,
    Unsigned,
    Values,
    bits,
    key_of,
    layout_of,
    part,
    structure,
)

LAYER = "OSCORE"
CITE = rfc(8613, "6.1")
LONGEST = 255  # RFC 8613 section 2: 0-255
LONGEST_PIV = 5

_CONTEXT_FLAG, _KID_FLAG = "kid context flag (h)", "kid flag (k)"
_COUNT = "Partial IV length (n)"
_FINDS = "a security context that the kid alone finds"


class _PartialIv(OctetString):
    """The Partial IV, of which there are 5 octets at most; none where the count is 0."""

    def read(self, reader: Reader, values: Values, layout: Drawing) -> bytes:
        n = values[self.when]
        if n > LONGEST_PIV:
            raise reader.fault(
                Reserved, f"Partial IV length {n} is reserved", CITE, at=reader.pos - FLAGS.octets
            )
        return super().read(reader, values, layout)


@structure(LAYER, CITE, kw_only=False)
class OscoreOption:
    """What an OSCORE option says: Partial IV (1 to 5 octets), kid context, kid; None for what is absent.

    ``kid`` may be there and empty. With all three absent the option's value is empty.
    """

    reserved = bits(3, "reserved flags", fixed=0)
    has_context = bits(1, {0: "no kid context", 1: "a kid context follows"}, name=_CONTEXT_FLAG)
    has_kid = bits(1, {0: "no kid", 1: "the rest is the kid"}, name=_KID_FLAG)
    count = bits(
        3, lambda n: "reserved" if n > LONGEST_PIV else "octets of Partial IV", name=_COUNT
    )
    piv: bytes | None = part(
        _PartialIv, "the sender sequence number", name="Partial IV", default=None,
        when=key_of(_COUNT).lower(), count=key_of(_COUNT).lower(),
        removed_by="a lower sequence number, under fresh keys",
    )  # fmt: skip
    context_length = part(
        Unsigned, 1, "octets of kid context", name="kid context length (s)",
        when=key_of(_CONTEXT_FLAG), removed_by=_FINDS,
    )  # fmt: skip
    kid_context: bytes | None = part(
        OctetString, "the ID context", when=key_of(_CONTEXT_FLAG), count="context_length",
        removed_by=_FINDS, default=None,
    )  # fmt: skip
    kid: bytes | None = part(
        OctetString, "the sender ID", when=key_of(_KID_FLAG), removed_by="a shorter sender ID",
        default=None,
    )  # fmt: skip

    @property
    def sequence(self) -> int | None:
        """Return the sender sequence number that the Partial IV carries."""
        return None if self.piv is None else int.from_bytes(self.piv, "big")

    def __bytes__(self) -> bytes:
        """Return the option's value."""
        writer = Writer(LAYER)
        encode(writer, self)
        return bytes(writer.data)


LAYOUT = layout_of(OscoreOption)
FLAGS = LAYOUT.word


class OscoreFlags(NamedTuple):
    """The first octet of an option's value: octets of Partial IV, whether a kid context and a kid follow."""

    piv_octets: int
    has_context: bool
    has_kid: bool


def flags_of(octets: bytes) -> OscoreFlags:
    """Return what the first octet of an option's value says; whether the rest is as it says nobody looks."""
    values = FLAGS.values_at(octets)
    return OscoreFlags(values[_COUNT], bool(values[_CONTEXT_FLAG]), bool(values[_KID_FLAG]))


def piv_octets(sequence: int) -> bytes:
    """Return a sequence number as Partial IV: no leading zeros, "except in the case of Partial IV value 0".

    Raises ``RequestError`` from 2**40 on (RFC 8613 section 7.2.1).
    """
    most = (1 << 8 * LONGEST_PIV) - 1
    sequence = whole_number(sequence, "sequence number", most=most, cite=rfc(8613, "7.2.1"))
    return sequence.to_bytes(max(1, (sequence.bit_length() + 7) // 8), "big")


def read_oscore_option(octets: bytes) -> OscoreOption:
    """Return what the value of an OSCORE option says (RFC 8613 section 6.1).

    Raises ``Reserved``, ``Truncated`` or ``Malformed`` with the offset of what is wrong, ``RequestError`` for what are
    no octets. ``bytes`` of what is returned are the octets again.
    """
    return decode(Reader(as_octets(octets)))


def decode(reader: Reader) -> OscoreOption:
    """Return the option value that fills what is left.

    Raises ``Reserved`` (flags, n of 6 and 7), ``Truncated``, or ``Malformed`` (octets that nothing announces).
    """
    reader.layer = LAYER
    if not reader.left:
        return OscoreOption()
    start = reader.pos
    value = LAYOUT.read(reader)
    if reader.left:
        raise reader.fault(Malformed, f"{reader.left} octets follow that no flag announces", CITE)
    if value == OscoreOption():
        raise reader.fault(
            Malformed, "with all flag bits zero the value is empty", rfc(8613, "2"), at=start
        )
    return value


@explains
def encode(writer: Writer, value: OscoreOption) -> None:
    """Append the option value with its spans; nothing when all is absent.

    Raises ``RequestError`` for a part that has no room in it.
    """
    writer.layer, start = LAYER, writer.pos
    if value.piv is value.kid_context is value.kid is None:
        return
    if value.piv is not None and not 1 <= len(value.piv) <= LONGEST_PIV:
        raise RequestError(f"a Partial IV of {len(value.piv)} octets is not 1 to 5", cite=CITE)
    if value.kid_context is not None and len(value.kid_context) > 255:
        raise RequestError("a kid context has at most 255 octets", cite=CITE)
    LAYOUT.write(writer, value)
    if writer.pos - start > LONGEST:
        raise RequestError(
            f"an OSCORE option of {writer.pos - start} octets is over {LONGEST}",
            cite=rfc(8613, "2"),
        )
