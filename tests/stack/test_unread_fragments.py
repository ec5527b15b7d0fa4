"""Fragments of a datagram whose first one cannot be read: its context is not known (RFC 6282 section 3.1.1)."""

from lowpanbudget import Env, Mac, decode_frame, encode_frame
from lowpanbudget.capture.follow.fragment_intake import FragmentIntake
from lowpanbudget.layers.lowpan.addresses import UnknownContext
from lowpanbudget.stack.events import Complete, Discarded, Event, Ignored, TimedOut
from lowpanbudget.stack.frame import Frame
from lowpanbudget.stack.outgoing import Outgoing
from lowpanbudget.stack.pieces import Fate
from lowpanbudget.stack.recoverable import recoverable as cut_recoverable

A, B = b"\x00\x01", b"\x00\x02"
SIZE = 72  # octets of the datagram, in three fragments of 24
MAC = Mac(destination_pan=1, destination=B, source=A, pan_id_compression=True)


def unread(tag: int = 7) -> Frame:
    """Figure 4 of RFC 4944, and IPHC: hop limit 64, a source under context 0 (SAC 1, SAM 11), no next header (59)."""
    head = (0b11000 << 11 | SIZE).to_bytes(2, "big") + tag.to_bytes(2, "big")
    frame = decode_frame(encode_frame(MAC, head + b"\x7a\x73\x3b" + bytes(8)).octets)
    assert frame.fault is not None
    assert isinstance(frame.fault.about, UnknownContext)
    return frame


def later(offset: int, tag: int = 7) -> Frame:
    """Figure 5."""
    head = (0b11100 << 11 | SIZE).to_bytes(2, "big") + tag.to_bytes(2, "big") + bytes([offset // 8])
    return decode_frame(encode_frame(MAC, head + bytes([offset]) * 24).octets)


def kinds(events: list[Event]) -> list[type[Event]]:
    return [type(one) for one in events]


def test_it_is_sent_in_full_and_never_whole() -> None:
    """What the first brings nobody knows: it goes as far as the next, and with the last all of it was sent."""
    reassembler = FragmentIntake()
    assert kinds(reassembler.feed(unread(), 0.0, "a")) == [Ignored]
    assert reassembler.arrival is not None
    datagram = reassembler.arrival.datagram
    assert (datagram.begins_unread, datagram.fate) == (True, Fate.OPEN)
    assert reassembler.marks(later(24)) == ["a"]
    assert reassembler.feed(later(24), 1.0, "b") == []
    assert (reassembler.held, reassembler.marks(later(48))) == (24, ["a", "b"])
    assert kinds(reassembler.feed(later(48), 2.0, "c")) == [Ignored]
    assert datagram.fate is Fate.WHOLE
    assert (reassembler.held, reassembler.marks(later(48))) == (0, [])
    assert reassembler.close() == []


def test_it_may_come_behind_the_others() -> None:
    reassembler = FragmentIntake()
    for offset in (24, 48):
        assert reassembler.feed(later(offset), 0.0) == []
    assert kinds(reassembler.feed(unread(), 0.5)) == [Ignored]
    assert reassembler.arrival is not None
    assert reassembler.arrival.datagram.fate is Fate.WHOLE
    assert reassembler.held == 0
    assert reassembler.close() == []


def test_before_the_last_it_ends_nothing() -> None:
    reassembler = FragmentIntake()
    reassembler.feed(later(24), 0.0, "b")
    reassembler.feed(unread(), 0.5, "a")
    assert (reassembler.held, reassembler.marks(later(48))) == (24, ["b", "a"])


def test_a_copy_of_it_is_noted_once() -> None:
    reassembler = FragmentIntake()
    for mark in ("a", "b"):
        reassembler.feed(unread(), 0.0, mark)
    assert reassembler.arrival is not None
    assert reassembler.arrival.repeated
    assert reassembler.marks(later(24)) == ["a"]


def test_without_a_mark_none_is_given_back() -> None:
    reassembler = FragmentIntake()
    reassembler.feed(unread(), 0.0)
    assert reassembler.marks(later(24)) == []


def test_its_time_runs_out_as_that_of_others() -> None:
    """RFC 4944 section 5.3: 60 s from the first fragment on."""
    reassembler = FragmentIntake()
    reassembler.feed(unread(), 0.0, "a")
    over, _ = reassembler.feed(decode_frame(b""), 60.5)
    assert isinstance(over, TimedOut)
    assert (over.received, over.missing, over.marks) == (0, ((0, SIZE),), ("a",))


def test_it_takes_the_place_of_another() -> None:
    reassembler = FragmentIntake(max_datagrams=1)
    reassembler.feed(later(24, tag=1), 0.0)
    _, discarded = reassembler.feed(unread(tag=2), 0.0)
    assert isinstance(discarded, Discarded)
    assert (discarded.key.tag, discarded.for_room, discarded.received) == (1, True, 24)


def recoverable(context: str, *, tag: int = 5, fill: int = 0) -> list[Frame]:
    """A datagram from an address under a context, in recoverable fragments (RFC 8931); the reader knows no context."""
    source = bytes.fromhex("2001 0db8 0000 0000 0000 00ff fe00 0001")
    head = bytes.fromhex("6000 0000 0078 3b40") + source
    datagram = head + bytes.fromhex("fe80 0000 0000 0000 0000 00ff fe00 0002") + bytes([fill]) * 120
    env = Env(A, B, contexts={0: context} if context else None)
    parts = cut_recoverable(Outgoing.read(datagram), env, room=60, tag=tag)
    return [decode_frame(encode_frame(MAC, bytes(part.data)).octets) for part in parts]


def test_recoverable_ones_of_it_are_ignored_with_the_last() -> None:
    """RFC 8931 section 5.1: the first alone has the headers; offsets count what was compressed, and all of it came."""
    first, *rest = recoverable("2001:db8::/64")
    assert first.fault is not None
    assert rest
    reassembler = FragmentIntake()
    assert kinds(reassembler.feed(first, 0.0, 1)) == [Ignored]
    for frame in rest[:-1]:
        assert reassembler.feed(frame, 0.0) == []
    assert kinds(reassembler.feed(rest[-1], 0.0)) == [Ignored]
    assert reassembler.close() == []


def test_recoverable_ones_give_their_marks_back() -> None:
    frames = recoverable("")
    reassembler = FragmentIntake()
    for number, frame in enumerate(frames):
        events = reassembler.feed(frame, 0.0, number)
    (whole,) = events
    assert isinstance(whole, Complete)
    assert whole.marks == tuple(range(len(frames)))


def test_recoverable_ones_that_contradict_those_before_say_so() -> None:
    """The same sequence with other octets: they are of another datagram."""
    _, before, *_ = recoverable("")
    _, after, *_ = recoverable("", fill=1)
    reassembler = FragmentIntake()
    assert reassembler.feed(before, 0.0) == []
    held = reassembler.held
    (discarded,) = reassembler.feed(after, 0.0)
    assert isinstance(discarded, Discarded)
    assert discarded.contradicted
    assert reassembler.held == held == discarded.received


CONTEXT = {0: "2001:db8::/64"}


def test_what_is_known_later_expands_what_is_whole_then() -> None:
    """RFC 6775 section 7.2: contexts come with router advertisements, and go."""
    octets = [frame.octets for frame in recoverable(CONTEXT[0])]
    for is_known in (False, True):
        reassembler = FragmentIntake()
        if is_known:
            reassembler.renew(Env(contexts=CONTEXT))
        for one in octets:
            events = reassembler.feed(decode_frame(one, contexts=CONTEXT))
        assert kinds(events) == [Complete if is_known else Discarded]


def test_copies_of_what_is_whole_are_absorbed_for_a_while() -> None:
    """RFC 8931 section 6: after the last fragment "a short timer, e.g., on the order of an average round-trip time"."""
    frames = recoverable("")
    reassembler = FragmentIntake()
    for frame in frames:
        reassembler.feed(frame, 0.0)
    held = reassembler.held
    assert held > 120
    assert kinds(reassembler.feed(frames[-1], 1.9)) == [Ignored]
    assert reassembler.held == held
    reassembler.feed(decode_frame(b""), 2.1)  # two seconds are our choice
    assert reassembler.held == 0


def test_what_is_whole_makes_room_for_what_is_not() -> None:
    frames = recoverable("")
    reassembler = FragmentIntake(max_octets=200)
    for frame in frames:
        reassembler.feed(frame, 0.0)
    assert 120 < reassembler.held <= 200
    for tag in range(8):
        assert reassembler.feed(later(24, tag=tag), 0.0) == []
    assert reassembler.held == 8 * 24
