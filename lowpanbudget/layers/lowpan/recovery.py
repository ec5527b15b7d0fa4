"""RFRAG and RFRAG-ACK: fragments that can be asked for again (RFC 8931 section 5).

    |1 1 1 0 1 0 0|E|  Datagram_Tag |X| Sequence|   Fragment_Size   |       Fragment_Offset         |
    |1 1 1 0 1 0 1|E|  Datagram_Tag |          RFRAG Acknowledgment Bitmap (32 bits)                |

Unlike FRAG1 and FRAGN, "the size and offset of the fragments are expressed with respect to the compressed form of the
packet", its dispatch octet included, and in octets. The first fragment (sequence 0) carries the datagram's size where
the others carry their offset.
"""

from collections.abc import Iterable

from lowpanbudget.bits import Reader, Writer
from lowpanbudget.cites import rfc
from lowpanbudget.errors import Malformed, RequestError
from lowpanbudget.fields import Bits, Header, bits, layout_of, stated_by, structure
from lowpanbudget.layers.lowpan.fragment import spilled_size
from lowpanbudget.values import dataclass

CITE = rfc(8931, "5.1")
ACKNOWLEDGEMENT = rfc(8931, "5.2")

SEQUENCES = 32  # "Fragments are numbered as [0..N], where N is in [0..31]"
LARGEST_FRAGMENT = (1 << 10) - 1
NULL, FULL = 0, 0xFFFF_FFFF

_CONGESTION = Bits("E", 1, {0: "no congestion", 1: "congestion was experienced"})
_TAG = Bits("Datagram_Tag", 8, "the same for all fragments of a datagram on one link")
RFRAG = Header(
    "RFRAG",
    CITE,
    (
        Bits("dispatch", 7, "recoverable fragment", fixed=0b1110100),
        _CONGESTION,
        _TAG,
        Bits("X", 1, {0: "no acknowledgement asked for", 1: "an acknowledgement is asked for"}),
        Bits("Sequence", 5, lambda value: "first fragment" if value == 0 else "a later fragment"),
        Bits("Fragment_Size", 10, "octets of the compressed datagram in this fragment"),
        Bits(
            "Fragment_Offset",
            16,
            lambda value: (
                "in a first fragment the size of the whole compressed datagram, else where this piece begins in it"
                if value
                else "abort: forget the datagram"
            ),
        ),
    ),
)


def _bitmap_says(bitmap: int) -> str:
    if bitmap == NULL:
        return "aborted"
    if bitmap == FULL:
        return "complete: all fragments were received"
    missing = ", ".join(map(str, sorted(set(range(SEQUENCES)) - set(sequences_of(bitmap)))))
    return f"not received: {missing}"


@stated_by(RFRAG)
@dataclass(frozen=True, slots=True)
class Rfrag:
    """A recoverable fragment's header: ``length`` octets of compressed form at ``offset``.

    ``size`` is the compressed datagram's, known from the first fragment (sequence 0) alone. ``abort`` says that the
    Fragment_Offset field was 0: the datagram is given up.
    """

    tag: int
    sequence: int
    length: int
    offset: int = 0
    size: int | None = None
    ack_request: bool = False
    congestion: bool = False
    abort: bool = False

    @property
    def first(self) -> bool:
        """Return whether this is the first fragment, which brings the datagram's size and headers."""
        return self.sequence == 0


@structure("RFRAG-ACK", ACKNOWLEDGEMENT)
class RfragAck:
    """An acknowledgement: bit 0 of ``bitmap``, the most significant, stands for sequence 0."""

    dispatch = bits(7, "acknowledgement of recoverable fragments", fixed=0b1110101)
    congestion: bool = bits(1, _CONGESTION.meaning, name="E", default=False)
    tag: int = bits(8, _TAG.meaning, name="Datagram_Tag")
    bitmap: int = bits(32, _bitmap_says)

    @property
    def aborted(self) -> bool:
        """Return whether the bitmap is NULL: "the fragmentation process is aborted"."""
        return self.bitmap == NULL

    @property
    def complete(self) -> bool:
        """Return whether the bitmap is FULL: "all fragments were received"."""
        return self.bitmap == FULL

    @property
    def received(self) -> tuple[int, ...]:
        """Return the sequences acknowledged."""
        return sequences_of(self.bitmap)


ACK = layout_of(RfragAck).word


def sequences_of(bitmap: int) -> tuple[int, ...]:
    """Return the sequence numbers whose bits are set."""
    return tuple(n for n in range(SEQUENCES) if bitmap >> (SEQUENCES - 1 - n) & 1)


def bitmap_of(sequences: Iterable[int]) -> int:
    """Return the bitmap that acknowledges these sequence numbers; raises ``RequestError`` for one over 31."""
    bitmap = 0
    for sequence in sequences:
        if not 0 <= sequence < SEQUENCES:
            raise RequestError(f"sequence {sequence} is not in 0 to 31", cite=ACKNOWLEDGEMENT)
        bitmap |= 1 << (SEQUENCES - 1 - sequence)
    return bitmap


def decode(reader: Reader) -> Rfrag:
    """Return the recoverable fragment's header that comes next; its octets follow.

    Raises ``Truncated``, and ``Malformed`` where Fragment_Size and the octets that follow differ or a first fragment
    exceeds its datagram; the error then says what a FRAGN with a size over 2047 would mean by the same octets.
    """
    start = reader.pos
    values, _ = RFRAG.read(reader)
    length, field = values["Fragment_Size"], values["Fragment_Offset"]
    sequence = values["Sequence"]
    first = sequence == 0
    wrong = ""
    if length < reader.left or (length > reader.left and not reader.missing):
        wrong = f"Fragment_Size says {length} octets, {reader.left} follow"
    elif field and length == 0:
        wrong = "the fragment brings no octets"
    elif first and 0 < field < length:
        wrong = f"a fragment of {length} octets of a datagram of {field}"
    if wrong:
        raise reader.fault(Malformed, wrong, CITE, at=start, hint=_overflow(reader.data, start))
    return Rfrag(
        values["Datagram_Tag"],
        sequence,
        length,
        0 if first else field,
        field if first and field else None,
        bool(values["X"]),
        bool(values["E"]),
        abort=field == 0,
    )


def _overflow(data: bytes, start: int) -> str:
    """Return what the octets mean when a sender let a size over 2047 spill out of FRAGN's 11 bits, if they can."""
    size = spilled_size(data, start)
    if size is None:
        return ""
    return f"Or a FRAGN whose datagram_size {size} has overflowed its 11 bits into the dispatch"


def decode_ack(reader: Reader) -> RfragAck:
    """Return the acknowledgement that comes next, "a standalone fragment header (i.e., with no 6LoWPAN payload)".

    Raises ``Truncated``, and ``Malformed`` when octets follow it.
    """
    start = reader.pos
    ack = layout_of(RfragAck).read(reader)
    if reader.left:
        raise reader.fault(
            Malformed,
            f"{reader.left} octets follow an acknowledgement",
            rfc(8931, "6"),
            hint=_overflow(reader.data, start),
        )
    return ack


def encode(writer: Writer, header: Rfrag) -> None:
    """Append a fragment's header; raises ``RequestError`` for what its fields cannot hold, or have no place for."""
    field = header.size if header.first else header.offset
    other = header.offset if header.first else header.size
    if header.abort:
        if header.offset or header.size:
            raise RequestError(
                "Rfrag: what aborts has a Fragment_Offset of 0, and so neither offset nor size",
                cite=CITE,
                hint="Leave both out, or abort=True",
            )
        field = 0
    elif not field or other:
        wanted, left_out = ("size", "offset") if header.first else ("offset", "size")
        raise RequestError(
            f"Rfrag.{wanted} is what Fragment_Offset of sequence {header.sequence} holds, not 0, and no {left_out}",
            cite=CITE,
            hint="A first fragment (sequence 0) has its datagram's size, a later one its offset; abort=True writes 0",
        )
    RFRAG.write(
        writer,
        {
            "E": header.congestion,
            "Datagram_Tag": header.tag,
            "X": header.ack_request,
            "Sequence": header.sequence,
            "Fragment_Size": header.length,
            "Fragment_Offset": field,
        },
    )
