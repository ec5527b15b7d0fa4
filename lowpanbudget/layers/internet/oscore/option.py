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

from lowpanbudget.bits import Reader, Writer
from lowpanbudget.cites import rfc
from lowpanbudget.errors import Malformed, RequestError, Reserved
from lowpanbudget.fields import Bits, Header
from lowpanbudget.values import dataclass

LAYER = "OSCORE"
CITE = rfc(8613, "6.1")
LONGEST = 255  # RFC 8613 section 2: 0-255
LONGEST_PIV = 5

FLAGS = Header(
    LAYER,
    CITE,
    (
        Bits("reserved", 3, "reserved flags", fixed=0),
        Bits("kid context flag (h)", 1, {0: "no kid context", 1: "a kid context follows"}),
        Bits("kid flag (k)", 1, {0: "no kid", 1: "the rest is the kid"}),
        Bits(
            "Partial IV length (n)",
            3,
            lambda n: "reserved" if n > LONGEST_PIV else "octets of Partial IV",
        ),
    ),
)


@dataclass(frozen=True, slots=True)
class Value:
    """What an OSCORE option says: Partial IV (1 to 5 octets), kid context, kid; None for what is absent.

    ``kid`` may be there and empty. With all three absent the option's value is empty.
    """

    piv: bytes | None = None
    kid_context: bytes | None = None
    kid: bytes | None = None

    @property
    def sequence(self) -> int | None:
        """Return the sender sequence number that the Partial IV carries."""
        return None if self.piv is None else int.from_bytes(self.piv, "big")

    def __bytes__(self) -> bytes:
        """Return the option's value."""
        writer = Writer(LAYER)
        encode(writer, self)
        return bytes(writer.data)


def piv_octets(sequence: int) -> bytes:
    """Return a sequence number as Partial IV: no leading zeros, "except in the case of Partial IV value 0".

    Raises ``RequestError`` from 2**40 on (RFC 8613 section 7.2.1).
    """
    if not 0 <= sequence < 1 << 8 * LONGEST_PIV:
        raise RequestError(
            f"sequence number {sequence} is not below 2**40", cite=rfc(8613, "7.2.1")
        )
    return sequence.to_bytes(max(1, (sequence.bit_length() + 7) // 8), "big")


def decode(reader: Reader) -> Value:
    """Return the option value that fills what is left.

    Raises ``Reserved`` (flags, n of 6 and 7), ``Truncated``, or ``Malformed`` (octets that nothing announces).
    """
    reader.layer = LAYER
    if not reader.left:
        return Value()
    start = reader.pos
    values, _ = FLAGS.read(reader)
    n = values["Partial IV length (n)"]
    if n > LONGEST_PIV:
        raise reader.fault(Reserved, f"Partial IV length {n} is reserved", CITE, at=start)
    piv = kid_context = kid = None
    if n:
        piv = reader.octets(n, "Partial IV", *_PIV)
    if values["kid context flag (h)"]:
        length = reader.number(1, "kid context length (s)", *_LENGTH)
        kid_context = reader.octets(length, "kid context", *_CONTEXT)
    if values["kid flag (k)"]:
        kid = reader.octets(reader.left, "kid", *_KID)
    elif reader.left:
        raise reader.fault(Malformed, f"{reader.left} octets follow that no flag announces", CITE)
    if piv is kid_context is kid is None:
        raise reader.fault(
            Malformed, "with all flag bits zero the value is empty", rfc(8613, "2"), at=start
        )
    return Value(piv, kid_context, kid)


_PIV = ("the sender sequence number", CITE, "a lower sequence number, under fresh keys")
_LENGTH = ("octets of kid context", CITE, "a security context that the kid alone finds")
_CONTEXT = ("the ID context", CITE, "a security context that the kid alone finds")
_KID = ("the sender ID", CITE, "a shorter sender ID")


def encode(writer: Writer, value: Value) -> None:
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
    FLAGS.write(
        writer,
        {
            "kid context flag (h)": int(value.kid_context is not None),
            "kid flag (k)": int(value.kid is not None),
            "Partial IV length (n)": len(value.piv or b""),
        },
    )
    writer.octets(value.piv or b"", "Partial IV", *_PIV)
    if value.kid_context is not None:
        length = len(value.kid_context)
        writer.number(1, length, "kid context length (s)", *_LENGTH)
        writer.octets(value.kid_context, "kid context", *_CONTEXT)
    writer.octets(value.kid or b"", "kid", *_KID)
    if writer.pos - start > LONGEST:
        raise RequestError(
            f"an OSCORE option of {writer.pos - start} octets is over {LONGEST}",
            cite=rfc(8613, "2"),
        )
