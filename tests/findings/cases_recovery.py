"""What recoverable fragments (RFC 8931) prove in further branches, and near misses that stay silent."""

from collections.abc import Callable

from findings import air
from findings.air import NODE, ROOT, Capture
from findings.cases_further import HOP, Further
from findings.judge import Told

FULL = 0xFFFFFFFF
_DATA = bytes(range(100))
_WHOLE = len(air.payload(air.datagram(_DATA)))  # octets of the compressed form
_GIVEN_UP = "datagrams in recoverable fragments were given up"


def pieces(tag: int, *, other: bool = False, offset: int = 40, asks: bool = True) -> list[bytes]:
    """Three fragments of a compressed datagram, the second at this offset (section 5.1); X on the last.

    |1110100|E| tag |X|sequence 5|size 10|offset 16|; sequence 0 has the whole size as its offset.
    """
    whole = air.payload(air.datagram(_DATA[::-1] if other else _DATA))
    parts = whole[:40], whole[40:80], whole[80:]
    found = []
    for number, (at, piece) in enumerate(zip((len(whole), offset, 80), parts, strict=True)):
        ask = 1 << 31 if asks and number == 2 else 0
        fields = ask | number << 26 | len(piece) << 16 | at
        found.append(bytes([0xE8, tag]) + fields.to_bytes(4, "big") + piece)
    return found


def ack(tag: int, number: int, bitmap: int = FULL) -> bytes:
    """An acknowledgement (section 5.2) by the root, with its frame number."""
    return air.raw(bytes([0xEA, tag]) + bitmap.to_bytes(4, "big"), number, (ROOT, NODE))


def taken(*between: bytes, skips: int = 0) -> Capture:
    """The first fragments of one datagram, and another one under its tag; frame numbers may be missing between."""
    begun, second = pieces(7)[:2], pieces(7, other=True)
    first = [air.raw(one, n) for n, one in enumerate(begun)]
    then = [air.raw(one, n) for n, one in enumerate(second, 2 + skips)]
    return Capture([*first, *between, *then])


def shifted() -> Capture:
    """The second fragment is said to begin two octets too late."""
    return Capture([air.raw(one, n) for n, one in enumerate(pieces(7, offset=42))])


def unanswered(
    *answers: int, asks: bool = True, skips: bool = False, until: float = 20.0
) -> Capture:
    """Three datagrams, 20 s apart; the root answers some and sends a frame behind each; numbers may be skipped."""
    frames: list[bytes | tuple[float, bytes]] = []
    number, heard = 0, 0
    for turn in range(3):
        at = 1 + 20.0 * turn
        for one in pieces(turn, asks=asks):
            number += 1
            frames.append((at + number / 100, air.raw(one, number)))
        if turn in answers:
            heard += 1
            frames.append((at + 1, ack(turn, heard)))
        heard += 1 + skips
        links = (ROOT, NODE)
        behind = at + (until if turn == 2 else 15)
        frames.append((behind, air.frame(air.datagram(links=links), heard, links)))
    return Capture(frames)


OVER = 90.0, air.raw(pieces(9)[0], 200, (ROOT, NODE))  # when the time of all before is over


def lacking(skips: int = 0, *, at: int = 1, behind_s: float = 50.0) -> Capture:
    """Three datagrams that lack one fragment each and ask for nothing; frame numbers may be missing where it belongs.

    Behind the last the node sends once more; the root does when the time of all is over (60 s, section 7.1).
    """
    frames: list[tuple[float, bytes]] = []
    number = 0
    for turn in range(3):
        for n, one in enumerate(pieces(turn, asks=False)):
            if n == at:
                number += skips
                continue
            number += 1
            frames.append((1 + 10.0 * turn + n / 100, air.raw(one, number)))
    frames.append((behind_s, air.frame(air.datagram(), number + 1)))
    return Capture([(0.5, air.frame(air.datagram(), 0)), *frames, OVER])


def smaller(*ranges: tuple[int, int], number: int = 3) -> Capture:
    """Sequence 1 does not come; its octets 40 to 79 are sent as others, 3 and 4; then the node sends again.

    "it is possible to retry a long fragment ... with several shorter fragments with a Sequence that was not used
    before" (section 6.2).
    """
    whole = air.payload(air.datagram(_DATA))
    frames: list[tuple[float, bytes]] = [
        (1 + n / 100, air.raw(one, n)) for n, one in enumerate(pieces(7))
    ]
    frames.append((1.1, ack(7, 1, 0xA0000000)))
    for n, (start, end) in enumerate(ranges, 3):
        fields = n << 26 | (end - start) << 16 | start
        head = bytes([0xE8, 7]) + fields.to_bytes(4, "big")
        frames.append((1.2 + n / 100, air.raw(head + whole[start:end], n)))
    behind = 30.0, air.frame(air.datagram(), number + len(ranges))
    return Capture([*frames, behind, OVER])


def not_known_yet(*left_out: int) -> Capture:
    """First fragments whose context nobody knows: their size and octets count all the same (section 5.1)."""
    whole = bytes.fromhex("7ed533 2233445566778899 1122334455667788 f0 1633 f0b0 1234") + _DATA
    frames: list[tuple[float, bytes]] = []
    for turn in range(3):
        for n, (start, end) in enumerate(((0, 60), (60, 90), (90, len(whole)))):
            if n in left_out:
                continue
            fields = n << 26 | (end - start) << 16 | (start or len(whole))
            head = bytes([0xE8, turn]) + fields.to_bytes(4, "big")
            octets = air.raw(head + whole[start:end], len(frames))
            frames.append((1 + 10.0 * turn + n / 100, octets))
    return Capture([*frames, OVER])


TAKEN = "a tag is used for another datagram while one under it is not whole"
UNANSWERED = "recoverable fragments ask for acknowledgements, and none comes back"

RECOVERY_FURTHER = (
    # "An identifier of the datagram that is locally unique to the link-layer sender" (section 5.1)
    Further(
        "recoverable-fragments-failed",
        taken,
        Told(
            "remark",
            HOP,
            TAKEN,
            ("tag 0x07: two different fragments have the sequence 0, 80 octets had come",),
            (1, 2, 3),
            advice="Take another tag for each datagram; one is free again when its datagram was acknowledged in full "
            "or aborted, and no copies of it are on their way.",
            cite="RFC 8931 §5.1",
        ),
    ),
    # 40 and 40 octets, and two of them at 80 and 81 twice
    Further(
        "recoverable-fragments-failed",
        shifted,
        Told(
            "remark",
            HOP,
            "the offset of a recoverable fragment is not where the one before it ends",
            (
                "tag 0x07: overlapping fragments differ in octets 80 to 81, 80 octets had come",
                "tag 0x07: sequence 1 begins at octet 42, sequence 0 ends at 40",
            ),
            (2,),
            advice="Count offsets in octets of the compressed form: each fragment begins where the one before it ends. "
            "Send one again as it was, under its sequence; cut otherwise it takes a sequence that is not used yet.",
            cite="RFC 8931 §5.1",
        ),
    ),
    # "The reassembling endpoint MUST acknowledge a fragment with the acknowledgment request bit set" (section 6)
    Further(
        "recoverable-fragments-failed",
        unanswered,
        Told(
            "risk",
            f"{HOP}: acknowledgements",
            UNANSWERED,
            ("tags 0x00, 0x01, 0x02", "the frame numbers of the receiver leave no place for one"),
            (3, 7, 11),
            3,
            advice="Look first whether the fragments arrive. Then whether the receiver answers each fragment with X "
            "set, and whether each node on the way passes the acknowledgement back under the tag that the node before "
            "it gave the datagram.",
        ),
    ),
    # 40 octets and the rest, of which the numbers leave out nothing between
    Further(
        "recoverable-fragments-failed",
        lacking,
        Told(
            "risk",
            HOP,
            _GIVEN_UP,
            tuple(
                f"tag {tag:#04x}: the time ran out, {_WHOLE - 40} octets had come"
                for tag in range(3)
            ),
            (2, 3, 4, 5, 6, 7),
            3,
        ),
    ),
    # two numbers are missing behind each; behind the last, of one fragment, they were sent any time until 85 s, over a
    # minute later
    Further(
        "recoverable-fragments-failed",
        lambda: lacking(2, at=2, behind_s=85.0),
        Told(
            "remark",
            HOP,
            _GIVEN_UP,
            ("tag 0x02: the time ran out, 80 octets had come",),
            (6, 7),
        ),
    ),
    # 90 to 125 of 126 octets: of 0 to 59 the context is not known, and 60 to 89 did not come
    Further(
        "recoverable-fragments-failed",
        lambda: not_known_yet(1),
        Told(
            "risk",
            HOP,
            _GIVEN_UP,
            tuple(f"tag {tag:#04x}: the time ran out, 96 octets had come" for tag in range(3)),
            (1, 2, 3, 4, 5, 6),
            3,
        ),
    ),
    # of 40 to 79 no frame brings 60 to 79
    Further(
        "recoverable-fragments-failed",
        lambda: smaller((40, 60)),
        Told(
            "remark",
            HOP,
            "recoverable fragments that the receiver misses are not sent again",
            ("tag 0x07: sequence 1",),
            (2, 4),
        ),
    ),
)

RECOVERY_NEAR: dict[str, tuple[str, Callable[[], Capture]]] = {
    what: ("recoverable-fragments-failed", capture)
    for what, capture in {
        # the third fragment passed by unheard: all ones say that it came
        "a tag that is taken behind an acknowledgement in full": lambda: taken(ack(7, 1)),
        "a tag that is taken where frame numbers are missing": lambda: taken(skips=1),
        "acknowledgements that nobody asks for": lambda: unanswered(asks=False),
        "acknowledgements for which frame numbers leave a place": lambda: unanswered(skips=True),
        "a third acknowledgement for which there was no time": lambda: unanswered(until=5.0),
        "two acknowledgements that are missing beside one": lambda: unanswered(1),
        "fragments for which frame numbers leave a place": lambda: lacking(1),
        "last fragments for which frame numbers leave a place": lambda: lacking(1, at=2),
        "last fragments, each as much as the one number that is missing behind it": lambda: lacking(
            1, at=2, behind_s=85.0
        ),
        "first fragments for which frame numbers leave a place": lambda: lacking(1, at=0),
        "a fragment that is retried as two smaller ones": lambda: smaller((40, 60), (60, 80)),
        "a smaller one for which frame numbers leave a place": lambda: smaller((40, 60), number=4),
        "first fragments that are not read, for want of a context": not_known_yet,
        "acknowledgements that all come": lambda: unanswered(0, 1, 2),
    }.items()
}
