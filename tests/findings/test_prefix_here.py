"""All senders off by the same: a checksum adds up the words of both addresses (RFC 8200 section 8.1, RFC 1071).

Under another prefix than that known here each of the two adds the difference of its words: here 7 more.
"""

from collections.abc import Sequence

import pytest
from findings import air
from findings.air import PREFIX, ROOT, Capture
from findings.cases_further import announcing

from lowpanbudget.findings.finding import Certainty, Finding, Severity

THEIRS, OTHERS = "2001:db8:1:7::", "2001:db8:1:9::"
NODES = [bytes([0, number]) for number in range(0x17, 0x1C)]
NAME = "prefix-of-context-differs"


def sent(node: bytes, data: bytes, prefix: str) -> bytes:
    """A frame of a node to the root whose checksum is computed under a prefix, and its addresses under context 0."""
    told = air.address(PREFIX, node), air.address(PREFIX, ROOT)
    real = air.address(prefix, node), air.address(prefix, ROOT)
    segment = air.udp(data, *real, (50000, 50001))
    return air.frame(air.ip(*told, 17, segment), data[0], (node, ROOT))


def heard(senders: Sequence[tuple[bytes, str]], each: int = 3) -> list[Finding]:
    """The findings in so many datagrams of each sender, in turn, under its prefix."""
    frames = [
        sent(node, bytes([number, at]) * 4, prefix)
        for number in range(each)
        for at, (node, prefix) in enumerate(senders)
    ]
    capture = Capture([*frames])
    found = [one for one in capture.fed() if "checksum" in one.name or one.name == NAME]
    assert capture.followed() == capture.fed()
    return found


@pytest.mark.parametrize(("senders", "each"), [(5, 3), (2, 3), (3, 1), (2, 2)])
def test_a_prefix_that_nobody_has_is_looked_for_here(senders: int, each: int) -> None:
    """Few of each are enough: together they are three that say the same."""
    (found,) = heard([(node, THEIRS) for node in NODES[:senders]], each)
    assert (found.name, found.subject, found.count) == (NAME, "context 0", senders * each)
    assert f"all {senders} senders" in found.cause
    assert "up to 0x0007 more at the sender" in found.cause
    assert found.evidence[0] == f"all {senders * each} wrong sums differ by +0x000e"
    assert f"{THEIRS}/64" in found.evidence[1]
    assert found.certainty is Certainty.CONFIGURATION
    assert "--context" in found.advice


def test_one_sender_is_looked_at_itself() -> None:
    (found,) = heard([(NODES[0], THEIRS)])
    assert (found.name, found.subject) == (NAME, "0x0017")


def test_one_that_is_right_proves_the_prefix_known_here() -> None:
    found = heard([(NODES[0], THEIRS), (NODES[1], THEIRS), (NODES[2], PREFIX)])
    assert [(one.name, one.subject) for one in found] == [(NAME, "0x0017, 0x0018")]


def test_prefixes_that_differ_are_of_the_senders() -> None:
    found = heard([(NODES[0], THEIRS), (NODES[1], THEIRS), (NODES[2], OTHERS)])
    assert {one.subject for one in found} == {"0x0017, 0x0018", "0x0019"}


def test_two_checksums_are_chance_and_as_many_senders_of_other_faults_are_no_few() -> None:
    (found,) = heard([(NODES[0], THEIRS), (NODES[1], THEIRS)], each=1)
    assert found.name == "checksum-wrong"
    damaged = []
    for node in NODES[2:4]:
        told = air.address(PREFIX, node), air.address(PREFIX, ROOT)
        for at in range(1, 4):
            segment = air.udp(bytes([at]) * 4, *told, (50000, 50001), checksum=0x1111 * at)
            damaged.append(air.frame(air.ip(*told, 17, segment), at, (node, ROOT)))
    frames = [sent(node, bytes([n]) * 4, THEIRS) for n in range(3) for node in NODES[:2]]
    subjects = [one.subject for one in Capture([*frames, *damaged]).fed() if one.name == NAME]
    assert subjects == ["0x0017, 0x0018"]


def test_octets_left_out_that_do_the_same_are_chance() -> None:
    """Each prefix is 1 less than here; so is each length without the last octet, which is zero."""
    senders = [(node, "2001:db8::") for node in NODES]
    frames = [sent(node, bytes([n]) * 4, prefix) for n in range(3) for node, prefix in senders]
    tails = [
        sent(node, bytes([n] * 3 + [0]), prefix) for n in range(3) for node, prefix in senders[:2]
    ]
    (found,) = (one for one in Capture([*frames, *tails]).fed() if one.severity is Severity.FAILURE)
    assert found.subject == "context 0"
    (found,) = (one for one in Capture([*tails]).fed() if one.severity is Severity.FAILURE)
    assert found.name == "octets-behind-datagram"


def test_a_prefix_that_the_capture_announces_is_named() -> None:
    """What was given is to be left out then; where it was announced too, nodes may not have heard of it."""
    frames = [sent(node, bytes([n]) * 4, THEIRS) for n in range(3) for node in NODES]
    theirs = announcing(0, f"{THEIRS}/64")
    (found,) = (one for one in Capture([theirs, *frames]).fed() if one.name == NAME)
    assert f"has context 0 as {THEIRS}/64, which was announced here too" in found.cause
    assert found.advice.startswith("Leave the prefix of that context out")
    both = [theirs, announcing(0, f"{PREFIX}/64"), *frames]
    (found,) = (one for one in Capture([*both]).fed() if one.name == NAME)
    assert found.advice.startswith("Look where the prefix that is known here comes from")


def test_a_next_header_that_all_leave_out_is_said_before_the_prefix() -> None:
    """One mistake in the software of all: 17 less (RFC 8200 section 8.1)."""
    frames = []
    for node in NODES:
        ends = air.address(PREFIX, node), air.address(PREFIX, ROOT)
        for number in range(3):
            data = bytes([number]) * 4
            right = int.from_bytes(air.udp(data, *ends, (50000, 50001))[6:8], "big")
            segment = air.udp(data, *ends, (50000, 50001), checksum=(right + 17) % 0xFFFF)
            frames.append(air.frame(air.ip(*ends, 17, segment), number, (node, ROOT)))
    (found,) = (one for one in Capture([*frames]).fed() if "checksum" in one.name)
    assert (found.name, found.subject) == ("checksum-computed-otherwise", "context 0")
    assert "all are right when the next header, 17 for UDP, is left out" in found.cause
    assert found.certainty is Certainty.OPEN


def test_a_sum_over_another_port_and_address_is_named() -> None:
    """Over 5683 and the link-local source, where the header has another port: two mistakes, both known ones."""
    here = air.address(PREFIX, NODES[0]), air.address(PREFIX, ROOT)
    frames = []
    for number in range(3):
        data = bytes([number]) * 4
        local = air.address("fe80::", NODES[0])
        made = int.from_bytes(air.udp(data, local, here[1], (50000, 5683))[6:8], "big")
        segment = air.udp(data, *here, (50000, 50001), checksum=made)
        frames.append(air.frame(air.ip(*here, 17, segment), number, (NODES[0], ROOT)))
    (found,) = (one for one in Capture([*frames]).fed() if "checksum" in one.name)
    words = f"the source is {air.address('fe80::', NODES[0])} (the link-local address)"
    port = "the destination port is 5683 in the sum, where the header has 50001"
    assert f"{words} and {port}" in found.cause


def test_a_port_that_explains_all_is_said_beside() -> None:
    """Both ports carry 4 bits (RFC 6282 section 4.3.3): 0xf0b3 for 0xf0c3, 16 less, and 8 less in each prefix."""
    frames: list[bytes | tuple[float, bytes]] = []
    for node in NODES:
        ends = air.address(PREFIX, node), air.address(PREFIX, ROOT)
        for number in range(3):
            checksum = air.udp(bytes([number]) * 7, *ends, (0xF0B1, 0xF0C3))[6:8]
            packed = bytes.fromhex("7e77f313") + checksum + bytes([number]) * 7
            frames.append(air.raw(packed, number, (node, ROOT)))
    (found,) = (one for one in Capture(frames).fed() if one.name == "ports-do-not-fit-form")
    assert (found.subject, found.certainty) == ("context 0", Certainty.OPEN)
    assert "the destination port is 61635" in found.cause
    assert "up to 0x0008 more at the sender" in found.cause
