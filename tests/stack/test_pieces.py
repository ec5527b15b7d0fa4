"""One tracker of fragments: what a sender sent, beside what a receiver holds of it (RFC 4944 section 5.3)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lowpanbudget import Mac, decode_frame, encode_frame
from lowpanbudget.capture.follow.fragment_intake import FragmentIntake
from lowpanbudget.stack.collected import Collected
from lowpanbudget.stack.events import Complete, Discarded, Event, Ignored, TimedOut
from lowpanbudget.stack.fragment_key import FragmentKey
from lowpanbudget.stack.frame import Frame
from lowpanbudget.stack.pieces import Fate, FragmentArrival, FragmentedDatagram, SentFragment
from lowpanbudget.stack.sent import SentDatagrams

A, B, C = b"\x00\x01", b"\x00\x02", b"\x00\x03"
SIZE = 72


def fragment(offset: int, octets: bytes, tag: int = 7, destination: bytes = B) -> Frame:
    """Figure 5: the fragments that follow a first one, here of any offset."""
    head = (0b11100 << 11 | SIZE).to_bytes(2, "big") + tag.to_bytes(2, "big") + bytes([offset // 8])
    mac = Mac(destination_pan=1, destination=destination, source=A, pan_id_compression=True)
    return decode_frame(encode_frame(mac, head + octets).octets)


def part_of(data: bytes, offset: int) -> Frame:
    """A fragment of a header and 32 octets: 48 and 8 octets of it, and 16; Figure 4 and dispatch 0x41 for the first."""
    if offset:
        return fragment(offset, data * {48: 8, 56: 16}[offset])
    head = (0b11000 << 11 | SIZE).to_bytes(2, "big") + b"\0\x07\x41"
    mac = Mac(destination_pan=1, destination=B, source=A, pan_id_compression=True)
    header = b"\x60\0\0\0" + (SIZE - 40).to_bytes(2, "big") + b"\x3b\x40" + bytes(32)
    return decode_frame(encode_frame(mac, head + header + data * 8).octets)


def fed(reassembler: FragmentIntake, frame: Frame, time_s: float, mark: int = 0) -> FragmentArrival:
    reassembler.feed(frame, time_s, mark)
    assert reassembler.arrival is not None
    return reassembler.arrival


def test_a_datagram_is_sent_fragment_by_fragment() -> None:
    reassembler = FragmentIntake()
    for number, offset in enumerate((48, 0, 24), 1):
        arrival = fed(reassembler, fragment(offset, bytes(24)), float(number), number)
        assert arrival.fragment[:5] == (offset, offset + 24, float(number), False, number)
        assert not arrival.repeated
        assert [part.mark for part in arrival.datagram.fragments] == list(range(1, number + 1))
        assert arrival.datagram.fate is (Fate.WHOLE if number == 3 else Fate.OPEN)
    assert str(arrival.datagram) == "datagram of 72 octets, tag 0x0007"
    assert reassembler.expired(1000.0) == []


def test_what_was_sent_is_whole_once_every_octet_was() -> None:
    """The first fragment may be unread: then it goes as far as the next, and nobody knows whether others do."""
    unread = SentFragment(0, 0, 1.0, True, None)
    middle, last = SentFragment(24, 48, 2.0, False, None), SentFragment(48, SIZE, 3.0, False, None)
    for fragments, is_whole in (
        ([unread], False),
        ([unread, middle, last], True),
        ([unread, middle], False),
        ([middle, last], False),
        ([SentFragment(0, 24, 1.0, True, None), middle, last], True),
        ([SentFragment(0, 24, 1.0, True, None), last], False),
    ):
        datagram = FragmentedDatagram(FragmentKey(A, B, SIZE, 7), fragments)
        assert datagram.is_whole == is_whole


def test_other_frames_bring_no_fragment() -> None:
    reassembler = FragmentIntake()
    fed(reassembler, fragment(24, bytes(24)), 0.0)
    reassembler.feed(decode_frame(b""), 1.0)
    assert reassembler.arrival is None


def test_what_comes_again_is_repeated_also_after_the_whole() -> None:
    reassembler = FragmentIntake()
    whole = fed(reassembler, fragment(0, bytes(24)), 0.0).datagram
    assert fed(reassembler, fragment(0, bytes(24)), 0.1).repeated
    for offset in (24, 48):
        fed(reassembler, fragment(offset, bytes(24)), 0.2)
    again = fed(reassembler, fragment(48, bytes(24)), 0.3)
    assert again.repeated
    assert again.datagram is whole
    assert len(whole.fragments) == 3
    first = fed(reassembler, fragment(0, bytes(24)), 0.4)
    assert first.datagram is not whole, "with octet 0 another datagram of this tag begins"
    assert not first.repeated


def test_a_sender_may_go_on_when_the_time_of_the_receiver_is_over() -> None:
    """The timer starts with the first fragment; silence of the sender is counted from the last."""
    reassembler = FragmentIntake()
    for time_s, offset in ((0.0, 0), (35.0, 24)):
        slow = fed(reassembler, fragment(offset, bytes(24)), time_s).datagram
    events = reassembler.feed(fragment(48, bytes(24)), 70.0)
    assert [type(event) for event in events] == [TimedOut]
    assert reassembler.arrival is not None
    assert reassembler.arrival.datagram is slow
    assert slow.fate is Fate.WHOLE
    assert reassembler.held == 24


def test_a_silent_sender_is_told_once() -> None:
    reassembler = FragmentIntake()
    datagram = fed(reassembler, fragment(0, bytes(24)), 0.0).datagram
    assert reassembler.expired(60.0) == []
    assert reassembler.expired(60.1) == [datagram]
    assert datagram.fate is Fate.EXPIRED
    assert reassembler.expired(200.0) == []


def test_what_expired_goes_on_where_it_ended() -> None:
    """Another fragment may not be of it: that overlaps, leaves a gap, is a first one, or comes after two time-outs."""
    for offset, length, time_s, goes_on in (
        (24, 24, 70.0, True),
        (24, 24, 120.0, True),
        (24, 24, 120.1, False),
        (16, 24, 70.0, False),
        (48, 24, 70.0, False),
        (0, 24, 70.0, False),
    ):
        reassembler = FragmentIntake()
        silent = fed(reassembler, fragment(0, bytes(24)), 0.0).datagram
        assert reassembler.expired(60.1) == [silent]
        arrival = fed(reassembler, fragment(offset, b"\1" * length), time_s)
        assert (arrival.datagram is silent) == goes_on
        assert silent.fate is (Fate.OPEN if goes_on else Fate.EXPIRED)
        assert reassembler.held == length  # a receiver has given up the first


def test_an_overlap_ends_what_was_sent_and_not_what_is_held() -> None:
    """ "A fresh reassembly may be commenced with the most recently received link fragment"."""
    reassembler = FragmentIntake()
    fed(reassembler, fragment(0, bytes(24)), 0.0)
    events = reassembler.feed(fragment(0, bytes(48)), 1.0)
    assert [type(event) for event in events] == [Discarded]
    assert isinstance(events[0], Discarded)
    assert events[0].contradicted
    assert reassembler.arrival is not None
    old = reassembler.arrival.datagram
    assert (old.fate, [part[:2] for part in old.fragments]) == (
        Fate.OVERLAPPING,
        [(0, 24), (0, 48)],
    )
    (event,) = reassembler.feed(fragment(48, bytes(24)), 2.0)
    assert isinstance(event, Complete)
    new = reassembler.arrival.datagram
    assert (new.fate, [part[:2] for part in new.fragments]) == (Fate.WHOLE, [(48, 72)])


def test_what_an_overlap_leaves_goes_on_as_the_datagram_that_begins_behind_it() -> None:
    """The end of the one that overlapped was told; that of the one whose first fragment follows is told for itself."""
    reassembler = FragmentIntake()
    events = reassembler.feed(fragment(24, bytes(24)), 0.0)
    events += reassembler.feed(fragment(16, bytes(24)), 0.1)
    events += reassembler.feed(fragment(0, bytes(16)), 0.2)
    assert ends(events) == [(Discarded, False)]
    assert [again for _, again in ends(reassembler.close())] == [False]


def ends(events: list[Event]) -> list[tuple[type[Event], bool]]:
    """The events that end a datagram, and whether it is told again."""
    return [(type(one), one.again) for one in events if isinstance(one, TimedOut | Discarded)]


def test_each_datagram_has_one_end() -> None:
    """Two under one tag at once: the second takes the place of the first, and what is left over is none."""
    reassembler = FragmentIntake()
    events: list[Event] = []
    for number, (offset, data) in enumerate(
        ((0, b"a"), (48, b"a"), (0, b"b"), (56, b"a"), (48, b"b"))
    ):
        events += reassembler.feed(part_of(data, offset), number / 10)
    assert ends(events) == [(Discarded, False)]
    (discarded,) = (one for one in events if isinstance(one, Discarded))
    assert discarded.contradicted
    assert [type(one) for one in events if isinstance(one, Complete)] == [Complete]
    rest = fed(reassembler, part_of(b"b", 56), 0.6)
    assert not rest.repeated, "the same place with other octets is no copy"
    assert rest.datagram.is_rest
    assert ends(reassembler.close()) == [(Discarded, True)]


def test_a_copy_that_comes_late_is_no_datagram_that_never_was_whole() -> None:
    reassembler = FragmentIntake()
    for offset in (0, 24, 48, 48):
        reassembler.feed(fragment(offset, bytes(24)), 0.0)
    assert ends(reassembler.feed(decode_frame(b""), 61.0)) == [(TimedOut, True)]


@pytest.mark.parametrize(
    ("late_s", "data", "also", "again"),
    [
        (10.0, b"a", (), True),
        (10.0, b"a", ((b"a", 48),), True),
        (10.0, b"b", (), False),  # other octets: another datagram, of which nothing more came
        (10.0, b"a", ((b"b", 48),), False),
        (
            60.5,
            b"a",
            (),
            False,
        ),  # tags count up (RFC 4944 section 5.3), and may have come round by then
    ],
)
def test_a_first_fragment_that_comes_once_more_begins_no_datagram(
    late_s: float, data: bytes, also: tuple[tuple[bytes, int], ...], *, again: bool
) -> None:
    reassembler = FragmentIntake()
    for offset in (0, 48, 56):
        reassembler.feed(part_of(b"a", offset), 0.0)
    events = reassembler.feed(part_of(data, 0), late_s)
    for later, offset in also:
        events += reassembler.feed(part_of(later, offset), late_s)
    assert ends([*events, *reassembler.close()]) == [(Discarded, again)]


def test_all_of_a_datagram_once_more_is_whole_once_more() -> None:
    reassembler = FragmentIntake()
    events: list[Event] = []
    for offset in (0, 48, 56) * 3:
        events += reassembler.feed(part_of(b"a", offset), 0.0)
    assert [type(one) for one in events if not isinstance(one, Ignored)] == [Complete] * 3


@pytest.mark.parametrize("count", [1, 2, 5, 8])
def test_how_many_were_open_at_a_receiver(count: int) -> None:
    reassembler = FragmentIntake()
    datagrams = [
        fed(reassembler, fragment(0, bytes(24), tag), 0.0).datagram for tag in range(count)
    ]
    elsewhere = fed(reassembler, fragment(0, bytes(24), 99, C), 0.0).datagram
    assert [datagram.beside for datagram in datagrams] == [count] * count
    assert elsewhere.beside == 1
    for offset in (24, 48):  # the first becomes whole, and another finds one fewer
        fed(reassembler, fragment(offset, bytes(24), 0), 1.0)
    assert fed(reassembler, fragment(0, bytes(24), 50), 2.0).datagram.beside == count


def test_what_is_known_of_senders_is_bounded() -> None:
    reassembler = FragmentIntake(max_datagrams=4)
    for tag in range(100):
        fed(reassembler, fragment(0, bytes(24), tag), 0.0)
    expired = reassembler.expired(61.0)
    assert [datagram.key.tag for datagram in expired] == list(range(88, 100))
    # four are open at once; of those given up before that the last eight are told
    assert [datagram.fate for datagram in expired] == [Fate.GIVEN_UP] * 8 + [Fate.EXPIRED] * 4
    known = SentDatagrams(3)
    assert known.expire(1e9) == []


def test_what_came_late_stands_last_of_its_time() -> None:
    """The oldest are told first: one whose last fragment came at 2 s, behind those of 2 s and before that of 3 s."""
    sent = SentDatagrams(9)
    for tag, *times in ((1, 1.0), (2, 2.0), (3, 2.0), (4, 1.5, 3.0), (5, 2.0)):
        for at, time_s in zip((0, 24), times, strict=False):
            part = SentFragment(at, at + 24, time_s, not at, None)
            sent.arrive(FragmentKey(A, B, SIZE, tag), part)
    sent.put_in_order(FragmentKey(A, B, SIZE, 5), 2.0)
    assert [datagram.key.tag for datagram in sent.expire(9.0)] == [1, 2, 3, 5, 4]


@pytest.mark.parametrize(
    ("order", "apart_s", "of_two"),
    [
        (
            (0, 24, 48),
            2.0,
            False,
        ),  # as it is sent: "in order" (RFC 4944 section 5.3 sends the first one first)
        ((48, 0), 0.5, False),  # swapped on one hop
        ((48, 0), 2.0, True),  # so late it may be the first one of another datagram
        ((24, 48, 0), 2.0, True),
        ((24, 48, 0), 0.75, False),  # the one before it came less than a second ago
        ((48, 24), 2.0, False),  # no first one yet
    ],
)
def test_a_first_fragment_that_comes_late_may_be_anothers(
    order: tuple[int, ...], apart_s: float, of_two: bool
) -> None:
    parts = [SentFragment(at, at + 24, n * apart_s, not at, None) for n, at in enumerate(order)]
    key = FragmentKey(A, B, SIZE, 7)
    assert FragmentedDatagram(key, parts).is_of_two is of_two
    assert FragmentedDatagram(key, parts, follows=True).is_of_two


@given(st.lists(st.tuples(st.integers(0, 90), st.integers(1, 20)), max_size=8))
def test_what_is_there_of_a_recoverable_datagram_is_counted_once(
    pieces: list[tuple[int, int]],
) -> None:
    """Octets there and octets missing, counted one by one."""
    there = {at + octet for at, length in pieces for octet in range(length)}
    found = Collected(0.0, 120, {n: (at, bytes(length)) for n, (at, length) in enumerate(pieces)})
    assert found.received == len(there)
    missing = [octet for start, end in found.missing() for octet in range(start, end)]
    assert missing == sorted(set(range(120)) - there)


@pytest.mark.parametrize(("seconds", "of_two"), [(0.5, False), (1.0, False), (1.25, True)])
def test_a_first_fragment_a_second_behind_is_of_another_datagram(
    seconds: float, of_two: bool
) -> None:
    """A sender sends in order; up to a second (our choice) a hop may have changed it."""
    reassembler = FragmentIntake()
    fed(reassembler, part_of(b"a", 48), 10.0)
    assert fed(reassembler, part_of(b"a", 0), 10.0 + seconds).datagram.is_of_two is of_two


def test_octets_are_counted_once_in_any_order() -> None:
    """What came ahead of others overlaps none of them."""
    reassembler = FragmentIntake()
    held = []
    for offset in (48, 0, 24):
        reassembler.feed(fragment(offset, bytes(24)), 0.0)
        held.append(reassembler.held)
    assert held == [24, 48, 0]


def test_a_first_fragment_may_bring_all_of_its_datagram() -> None:
    """RFC 4944 section 5.3: datagram_size tells when all is there, and asks for no second fragment."""
    head = (0b11000 << 11 | SIZE).to_bytes(2, "big") + b"\0\x07\x41"
    header = b"\x60\0\0\0" + (SIZE - 40).to_bytes(2, "big") + b"\x3b\x40" + bytes(32)
    mac = Mac(destination_pan=1, destination=B, source=A, pan_id_compression=True)
    datagram = header + bytes(range(SIZE - 40))
    (whole,) = FragmentIntake().feed(decode_frame(encode_frame(mac, head + datagram).octets))
    assert isinstance(whole, Complete)
    assert (whole.datagram.octets, whole.fragments) == (datagram, 1)


FIRST = SentFragment(0, 24, 0.0, True, None)
UNREAD = SentFragment(0, 0, 0.0, True, None)


@pytest.mark.parametrize(
    ("sent", "start", "first", "goes_on"),
    [
        ([FIRST], 24, False, True),
        ([FIRST], 48, False, False),  # what is between them never came
        ([FIRST], 16, False, False),
        # it fits between two, and overlaps none
        ([FIRST, SentFragment(48, 72, 0.0, False, None)], 24, False, True),
        ([FIRST, SentFragment(40, 64, 0.0, False, None)], 24, False, False),
        # how far an unread one goes nobody knows, but it begins the datagram
        ([UNREAD], 24, False, True),
        ([UNREAD], 0, False, False),
        ([UNREAD], 0, True, False),
    ],
)
def test_what_goes_on_begins_where_another_ends(
    sent: list[SentFragment], start: int, *, first: bool, goes_on: bool
) -> None:
    datagram = FragmentedDatagram(FragmentKey(A, B, SIZE, 7), list(sent))
    other = SentFragment(start, start + 24, 1.0, first, None)
    assert datagram.goes_on_with(other) is goes_on


def test_an_end_is_told_once() -> None:
    key = FragmentKey(A, B, SIZE, 7)
    open_one = FragmentedDatagram(key, [FIRST])
    assert [open_one.told_before() for _ in range(3)] == [False, True, True]
    whole = FragmentedDatagram(key, [FIRST], fate=Fate.WHOLE)
    rest = FragmentedDatagram(key, [SentFragment(24, 48, 0.0, False, None)], follows=True)
    copy = FragmentedDatagram(key, [FIRST], copies=whole)
    assert [one.told_before() for one in (whole, rest, copy)] == [True] * 3


def test_no_more_fragments_are_kept_than_there_are_offsets() -> None:
    """RFC 4944 section 5.3: datagram_offset has 8 bits."""
    datagram = FragmentedDatagram(FragmentKey(A, B, 2047, 7))
    for number in range(300):
        datagram.add(SentFragment(8 * number, 8 * number + 8, 0.0, False, number))
    assert [part.mark for part in datagram.fragments] == list(range(256))
