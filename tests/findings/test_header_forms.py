"""A reading of a wrong checksum holds for all datagrams of a form; what stands behind a wrong one is not judged.

The checksum is the sum of 16 bits of RFC 1071: one bit changed in the payload changes it as one bit of an address does.
"""

import struct
from collections.abc import Callable
from ipaddress import IPv6Address

import pytest
from findings import air
from findings.air import NODE, PREFIX, ROOT, Capture, heavy, names
from findings.cases_application import PLAN, SMALL
from findings.cases_compression import flipped, under
from findings.cases_formulas import formed
from findings.cases_further import summed_otherwise

from lowpanbudget import Env, compress
from lowpanbudget.findings.finding import Certainty, Finding

UNIVERSAL = "universal-local-bit-wrong"
BIT = 0x0200  # of the first word of an identifier (RFC 4291 section 2.5.1), and of the first word of these readings
ENDS = under(PREFIX)


def reading(number: int) -> bytes:
    """Data whose first word has the bit of the universal/local bit set, and that of 8."""
    return struct.pack(">HBBH", 0x5208 + number, 1, 2, 3)


def right(number: int) -> bytes:
    return air.ip(*ENDS, 17, air.udp(reading(number), *ENDS))


def changed(number: int) -> bytes:
    """The same with one bit cleared on the way: a sender whose address has that bit more sums up as much."""
    packet = bytearray(right(number))
    packet[48] ^= BIT >> 8
    return bytes(packet)


def other_rule(number: int) -> bytes:
    """What a sender sums up that does not invert the universal/local bit of its own address."""
    return air.ip(*ENDS, 17, air.udp(reading(number), flipped(ENDS[0]), ENDS[1]))


def heard(text: str, wrong: Callable[[int], bytes] = changed) -> list[Finding]:
    """The findings in datagrams of which ``-`` are right and ``x`` wrong."""
    packets = [(wrong if one == "x" else right)(number) for number, one in enumerate(text)]
    capture = Capture([*air.frames(packets)])
    findings = capture.fed()
    assert findings == capture.followed()
    return findings


@pytest.mark.parametrize("text", ["---x---", "x------", "------x", "x--x--x", "----xx-", "xx-----"])
def test_a_bit_changed_on_the_way_blames_no_rule_of_the_sender(text: str) -> None:
    (found,) = heard(text)
    assert (found.name, found.subject, found.count) == ("checksum-wrong", "0x0017", text.count("x"))
    assert found.frames == tuple(at for at, one in enumerate(text, 1) if one == "x")
    assert found.cause.endswith(", as octets changed on the way may make it too")
    assert found.evidence[0].endswith("under the same headers, are right as they stand")
    assert found.advice.startswith("Look for octets changed")


@pytest.mark.parametrize(
    ("text", "certainty"),
    [("x", Certainty.FRAME), ("xxxx", Certainty.FRAME), ("---xxx", Certainty.CAPTURE), ("xxx--", Certainty.CAPTURE)],
)  # fmt: skip
def test_a_rule_that_the_sender_has_all_along_or_from_some_time_on_is_told(
    text: str, certainty: Certainty
) -> None:
    (found,) = heard(text, other_rule)
    assert (found.name, found.certainty, found.count) == (UNIVERSAL, certainty, text.count("x"))


def stale(number: int) -> bytes:
    """A datagram whose last octet was changed after its checksum was made, by several bits: no reading adds as much."""
    packet = bytearray(right(number))
    packet[-1] ^= 0x51 + number
    return bytes(packet)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("ooxoooo", {"checksum-wrong": 7}),  # one in seven: all have one cause, which is another
        ("xooooox", {"checksum-wrong": 7}),
        ("oxoxx", {"checksum-wrong": 2, UNIVERSAL: 3}),  # the others are fewer
        ("oooooxxx", {"checksum-wrong": 5, UNIVERSAL: 3}),  # three in a row are no chance
    ],
)
def test_a_reading_of_few_among_many_that_it_does_not_explain_is_chance(
    text: str, told: dict[str, int]
) -> None:
    """A sum of 16 bits (RFC 1071): a last octet changed at random hits what one of the readings adds, 1 in 256."""
    packets = [(changed if one == "x" else stale)(number) for number, one in enumerate(text)]
    capture = Capture([*air.frames(packets)])
    findings = capture.fed()
    assert findings == capture.followed()
    assert {one.name: one.count for one in findings} == told


def test_the_same_datagram_again_and_again_proves_no_more_than_once() -> None:
    wrong = changed(0)
    frames = air.frames([right(1), wrong, wrong, wrong, wrong])
    assert names(Capture([*frames]).fed()) == ["checksum-wrong"]


def test_only_what_has_the_same_form_refutes() -> None:
    """To another node the sender may make its own address otherwise; and an elided checksum is made by the receiver.

    RFC 6282 section 4.3.2: it is elided where the source was authorized, and restored by computing it.
    """
    far = air.address("2001:db8:2::", ROOT)
    elsewhere = air.ip(ENDS[0], far, 17, air.udp(reading(9), ENDS[0], far))
    elided = air.raw(air.payload(right(8), elide_udp_checksum=True), 7)
    frames = [air.frame(elsewhere, 1), elided, *air.frames([other_rule(1)], start=3)]
    (found,) = (one for one in Capture([*frames]).fed() if "checksum is right when" in one.cause)
    assert (found.name, found.certainty) == (UNIVERSAL, Certainty.FRAME)


def test_octets_counted_are_refuted_by_datagrams_with_the_same_option() -> None:
    """Eight octets of option, counted (RFC 8200 section 8.1), add what one bit of the payload takes away."""
    packets = [bytearray(air.with_option(reading(number))) for number in range(8)]
    assert packets[3][57] & 8  # 40 octets of IPv6, 8 of the option, 8 of UDP
    packets[3][57] ^= 8
    findings = Capture([*air.frames(map(bytes, packets))]).fed()
    assert [one.name for one in findings if one.has_weight] == ["checksum-wrong"]
    alone = Capture([*air.frames([bytes(packets[3])])]).fed()
    assert "checksum-counts-extensions" in names(alone)


def test_octets_behind_a_datagram_are_refuted_by_those_as_long() -> None:
    """A driver that fills up words leaves those of a fitting length alone: other lengths refute nothing."""
    frames = [air.frame(right(number), number) for number in range(3)]
    padded = air.raw(air.payload(right(7)) + bytes(2), 7)
    assert "octets-behind-datagram" in names(Capture([*frames, padded]).fed())
    as_long = air.ip(*ENDS, 17, air.udp(reading(4) + b"\1\1", *ENDS))
    found = names(Capture([*frames, air.frame(as_long, 5), padded]).fed())
    assert "octets-behind-datagram" not in found
    assert "checksum-wrong" in found


def damaged(message: bytes, at: int, bit: int) -> bytes:
    """A datagram with CoAP of which one bit of octet ``at`` of the message was changed on the way."""
    packet = bytearray(air.coap(message))
    packet[48 + at] ^= bit
    return bytes(packet)


def posted(number: int, token: bytes = b"") -> bytes:
    return air.coap_message(b"\xb1r", bytes([number]) * 2, 1, 2, 0x2080 + number, token)


@pytest.mark.parametrize(
    ("at", "bit"),
    [
        (0, 0x80),  # version 3
        (0, 0x0A),  # token length 10 is reserved
        (1, 0xC0),  # class 6 is reserved
        (3, 0x01),  # a message ID that another message has (RFC 7252 section 4.4)
        (4, 0xF0),  # an option that is longer than the message
    ],
)
def test_contents_behind_a_wrong_checksum_are_not_judged(at: int, bit: int) -> None:
    """The receiver drops them ("silently discard", RFC 1122 section 4.1.3.4, from memory)."""
    packets = [air.coap(posted(number)) for number in range(12)]
    packets[4] = damaged(posted(4), at, bit)
    frames = air.frames(packets)
    assert heavy(Capture([*frames]).fed()) == ["checksum-wrong"]
    assert heavy(Capture([*frames]).followed()) == ["checksum-wrong"]


def test_a_fault_of_the_contents_is_told_where_the_checksum_is_right_or_a_reading_makes_it_right() -> (
    None
):
    """A token of 9 octets (RFC 7252 section 3): of a sender that sums up otherwise it is what it meant."""
    message = bytes([0x49, 2, 0, 1]) + bytes(8)
    for source in (ENDS[0], flipped(ENDS[0])):
        segment = air.udp(message, source, ENDS[1], (0xF0B1, 5683))
        found = names(Capture([air.frame(air.ip(*ENDS, 17, segment))]).fed())
        assert "contents-unreadable" in found
        assert (UNIVERSAL in found) == (source != ENDS[0])


def test_contents_under_a_prefix_that_is_not_known_here_are_judged_once_that_is_told() -> None:
    """All off by the same over three datagrams: what follows is what the sender meant."""
    real = air.address("2001:db8:1:7::", NODE), air.address("2001:db8:1:7::", ROOT)
    messages = [posted(number) for number in range(3)]
    messages.append(bytes([0x49, 2, 0, 1]) + bytes(8))
    packets = [air.ip(*ENDS, 17, air.udp(one, *real, (0xF0B1, 5683))) for one in messages]
    found = names(Capture([*air.frames(packets)]).fed())
    assert {"prefix-of-context-differs", "contents-unreadable"} <= {*found}
    found = names(Capture([*air.frames(packets[1:])]).fed())
    assert "contents-unreadable" not in found


def test_octets_behind_a_datagram_are_no_part_of_its_message() -> None:
    """Two octets that fill up a word are no fault of a format of 3 octets, which are right without them."""
    packets = [air.datagram(bytes([1, 0, 200 + number])) for number in range(4)]
    frames = [air.raw(air.payload(one) + bytes(2), at) for at, one in enumerate(packets)]
    found = names(Capture([*frames], SMALL, PLAN).fed())
    assert "octets-behind-datagram" in found
    assert "message-length-wrong" not in found
    longer = [air.frame(air.datagram(bytes([1, 0, 200, 0, 0])))]
    assert "message-length-wrong" in names(Capture([*longer], SMALL, PLAN).fed())


def test_the_advice_begins_with_what_is_left_open() -> None:
    """Of a sender without one right checksum prefixes come first, unless they are off by different amounts."""
    apart = [air.ip(*ENDS, 17, air.udp(reading(n), *ENDS, checksum=0x1234)) for n in range(4)]
    (found,) = (one for one in Capture([*air.frames(apart)]).fed() if one.name == "checksum-wrong")
    assert found.advice.startswith("Look how the sender computes the checksum")
    (found,) = Capture([*air.frames(apart[:1])]).fed()
    assert found.advice.startswith("Compare the restored addresses")


# --- datagrams that were not heard where they began ------------------------------------------------------

LEAF, ROUTER, OUTSIDE = b"\x00\x19", b"\x00\x18", IPv6Address("2001:db8:f00d::77")


def passed_on(
    source: bytes, number: int, *, by: bytes, prefix: str = PREFIX, changed: int = 0
) -> bytes:
    """A datagram to a host outside, as this node sends it, its sum made under a prefix and then changed."""
    told, real = air.address(PREFIX, source), air.address(prefix, source)
    segment = air.udp(bytes([number]) * 7, real, OUTSIDE, (50000, 50001))
    carried = int.from_bytes(segment[6:8], "big") ^ changed
    segment = segment[:6] + carried.to_bytes(2, "big") + segment[8:]
    packet = air.ip(told, OUTSIDE, 17, segment, 64 - (by != source))
    return air.frame(packet, number, (by, ROOT))


def test_what_a_router_sends_on_for_others_does_not_refute_its_own_prefix() -> None:
    """Who sends a datagram computes its sum (RFC 8200 section 8.1); a router leaves it as it is, under any prefix."""
    frames = []
    for number in range(3):
        frames.append(passed_on(ROUTER, 10 + 2 * number, by=ROUTER, prefix="2001:db8:99::"))
        frames.append(passed_on(LEAF, 11 + 2 * number, by=ROUTER))
    (found,) = (one for one in Capture([*frames]).fed() if one.has_weight)
    assert (found.name, found.subject, found.count) == ("prefix-of-context-differs", "0x0018", 3)
    # 0x0099 for 0x0001, as hand counting has it
    assert "sum up to 0x0098 more at the sender than here" in found.cause


def test_wrong_sums_are_those_of_who_sent_them_first() -> None:
    """The first hop of all but one was not heard."""
    wrong = [(LEAF, LEAF, 0x5A5A), (LEAF, ROUTER, 0x1111), (LEAF, ROUTER, 0x2323)]
    frames = [
        passed_on(source, number, by=by, changed=bits)
        for number, (source, by, bits) in enumerate(wrong, 1)
    ]
    (found,) = (one for one in Capture([*frames]).fed() if one.has_weight)
    assert (found.name, found.subject, found.count) == ("checksum-wrong", "0x0019", 3)


@pytest.mark.parametrize("others", [True, False])
def test_wrong_sums_of_several_behind_one_router_are_that_routers(others: bool) -> None:
    """So are those of one node whose sums are right where it sends them itself."""
    wrong = [(LEAF, 0x5A5A), (b"\x00\x1a", 0x1111) if others else (LEAF, 0x1111)]
    frames = [
        passed_on(source, number, by=ROUTER, changed=bits)
        for number, (source, bits) in enumerate(wrong, 1)
    ]
    if not others:
        frames.append(passed_on(LEAF, 9, by=LEAF))
    found = [one for one in Capture([*frames]).fed() if one.has_weight]
    assert {(one.name, one.subject) for one in found} == {("checksum-wrong", "0x0018")}


@pytest.mark.parametrize(
    ("how", "off", "words", "mistake"),
    [
        # UDP length 8 + 4, next header 17 (RFC 8200 section 8.1); a negation is an inversion and one (RFC 1071)
        (
            "payload", "-0x0008", "0x0004 less at the sender than here, or to 0x0008 less",
            "the length in the pseudo-header leaves the 8 octets of the UDP header out",
        ),
        (
            "ICMPv6", "+0x0029", "0x7feb less at the sender than here, or to 0x0029 more",
            "the next header in the pseudo-header is that of ICMPv6, not of UDP",
        ),
        (
            "turned", "+0x0bf4", "0x05fa more at the sender than here, or to 0x0bf4 more",
            "the octets of the length in the pseudo-header, 12, are turned round",
        ),
        # a next header of zero, or none at all
        (
            "none", "-0x0011", "0x7ff7 more at the sender than here, or to 0x0011 less",
            "the next header, 17 for UDP, is left out of the pseudo-header",
        ),
        (
            "first octet", "+0x10ef", "0x7788 less at the sender than here, or to 0x10ef more",
            "the next header in the pseudo-header, 17, stands in the first octet of its word",
        ),
        (
            "negated", "-0x0001", "0x7fff more at the sender than here, or to 0x0001 less",
            "the inversion at the end adds one, as a negation does",
        ),
    ],
)  # fmt: skip
def test_a_formula_that_adds_the_same_to_all_is_said_before_the_prefix(
    how: str, off: str, words: str, mistake: str
) -> None:
    (found,) = (one for one in formed(how).fed() if one.has_weight)
    assert (found.name, found.certainty) == ("checksum-computed-otherwise", Certainty.OPEN)
    assert found.evidence[0] == f"all 4 wrong sums differ by {off}"
    others = f"the words of the prefix of context 0 sum up to {words} in one address alone"
    assert mistake in found.cause.partition("; where ")[0]
    assert found.cause.partition("; where ")[2] == f"{others}, they would be right as well"


@pytest.mark.parametrize("wrong", [True, False])
@pytest.mark.parametrize("missed", [{0, 1, 2, 3}, {0, 2, 4, 6}])
def test_requests_beside_those_whose_answer_is_dropped(missed: set[int], wrong: bool) -> None:
    """Of eight four get nothing: those whose answer is dropped (RFC 8200 section 8.1) count for neither side.

    Where the others are answered well, half of them may have been lost on their way: none was sent again. The numbers
    of whoever answers leave no place for more.
    """
    frames: list[tuple[float, bytes]] = []
    back = ROOT, NODE
    for number in range(8):
        at, token = 1 + 100.0 * number, bytes([number])
        request = air.coap(air.coap_message(code=1, mid=number, token=token))
        frames.append((at, air.frame(request, number)))
        answer = bytearray(
            air.coap(
                air.coap_message(data=b"22.5", kind=2, code=69, mid=number, token=token),
                back,
                back=True,
            )
        )
        answer[-1] ^= 0x51 + number if wrong else 0
        if number not in missed:
            sent = number - sum(one < number for one in missed)
            frames.append((at + 0.5, air.frame(bytes(answer), sent, back)))
    frames.append((1000.0, air.frame(air.datagram(), 77)))
    found = {one.name: one for one in Capture([*frames]).fed()}
    assert ("request-never-answered" in found) is wrong
    if wrong:
        told = found["request-never-answered"]
        assert told.count == 4
        assert told.cause.startswith("4 of 4 requests to ")
        assert told.evidence[1] == "not counted, for their answers have a wrong checksum: 4"


@pytest.mark.parametrize("wrong", [True, False])
def test_an_answer_that_is_dropped_for_its_checksum_is_an_answer_of_the_server(wrong: bool) -> None:
    """Six requests, each sent again after 3 s, for who asks drops the answer (RFC 8200 section 8.1).

    With an answer of another message ID the server has answered none of them (RFC 7252 section 4.4).
    """
    frames: list[tuple[float, bytes]] = []
    back = ROOT, NODE
    for number in range(6):
        at, token = 1 + 100.0 * number, bytes([number])
        request = air.coap(air.coap_message(code=1, mid=number, token=token))
        mid = number if wrong else 99
        answer = bytearray(
            air.coap(
                air.coap_message(data=b"22.5", kind=2, code=69, mid=mid, token=token),
                back,
                back=True,
            )
        )
        answer[-1] ^= 0x51 + number if wrong else 0
        frames += [(at + 3 * n, air.frame(request, 2 * number + n)) for n in (0, 1)]
        frames += [(at + 0.5, air.frame(bytes(answer), number, back))]
    capture = Capture([*sorted(frames)])
    findings = capture.fed()
    assert findings == capture.followed()
    assert ("request-never-answered" in names(findings)) is not wrong
    assert (names(findings) == ["checksum-wrong"]) is wrong


OLD = "2001:db8:1:8::/64"


def under_old_context(*options: bool) -> list[bytes]:
    """A sender whose context 0 is the old one adds 8 to its sum, as who counts the RPL option's 8 octets does.

    The root's address is not under that prefix, so that it carries it in full (RFC 6282 section 3.1.1).
    """
    source, to = air.address("2001:db8:1:8::", NODE), air.address(PREFIX, ROOT)
    env, frames = Env(NODE, ROOT, contexts={0: OLD}), []
    for number, has_option in enumerate(options, 1):
        segment = air.udp(reading(number), source, to)
        body = (0, air.rpl_option() + segment) if has_option else (17, segment)
        packed = compress(air.ip(source, to, *body), env).octets
        frames.append(air.encoded(air.mac(number, (NODE, ROOT)), packed))
    return frames


@pytest.mark.parametrize("options", [(True, False) * 4, (True, True, False), (False, True, True)])
def test_datagrams_without_extension_headers_that_are_off_by_the_same_refute_that_those_are_counted(
    options: tuple[bool, ...],
) -> None:
    (found,) = Capture([*under_old_context(*options)]).fed()
    assert (found.name, found.count) == ("prefix-of-context-differs", len(options))
    assert found.frames == tuple(range(1, len(options) + 1))
    assert found.cause.endswith("context 0 sum up to 0x0008 more at the sender than here")


def test_an_old_prefix_that_was_announced_is_named_beside_extension_headers_and_is_likelier() -> (
    None
):
    told = [air.advertisement(air.context_option(0, prefix)) for prefix in (OLD, f"{PREFIX}/64")]
    every = (ROOT, air.BROADCAST)
    frames = [air.encoded(air.mac(n, every), air.payload(one, every)) for n, one in enumerate(told)]
    capture = Capture([*frames, *under_old_context(*[True] * 3)], contexts={})
    (found,) = [one for one in capture.fed() if one.name == "checksum-counts-extensions"]
    assert found.cause.endswith(
        f"where the sender has context 0 as {OLD}, which was announced here too, it would be right as well"
    )
    assert found.evidence[-1] == ("likelier is another prefix, for which more than the sums speaks")


def test_what_counts_extension_headers_may_be_another_prefix_and_is_not_proved() -> None:
    (found,) = Capture([*under_old_context(*[True] * 3)]).fed()
    assert (found.name, found.certainty) == ("checksum-counts-extensions", Certainty.OPEN)
    assert found.cause.endswith(
        "counts the extension headers too; where the words of the prefix of context 0 sum up to 0x0008 more at the "
        "sender than here, it would be right as well"
    )
    assert found.evidence[1] == (
        "2001:db8:1::ff:fe00:1 is carried in full: its sender may not have it in context 0, which is 2001:db8:1::/64 "
        "here"
    )
    assert found.evidence[2].endswith(" or 2001:db8:1:8::/64")
    assert found.evidence[3].startswith("likelier is another prefix")


def test_right_ones_between_under_the_same_context_prove_that_extension_headers_are_counted() -> (
    None
):
    (found,) = summed_otherwise(covered=False, more=8, kind=17).fed()
    assert (found.name, found.certainty) == ("checksum-counts-extensions", Certainty.FRAME)
