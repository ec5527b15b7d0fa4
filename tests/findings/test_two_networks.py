"""What is found of a network is the same whether or not another one, with the same addresses, is heard beside it.

Each capture of the cases is put beside a copy of itself in another PAN, half a millisecond behind. A short address is
one in its PAN alone (IEEE 802.15.4-2015 clause 6.4.2, from memory), so each of the two has the findings of the one.
"""

from collections.abc import Callable
from dataclasses import replace

import pytest
from findings import air
from findings.air import Capture
from findings.cases_fragments import meeting_in_vain
from findings.cases_nodes import heard, renamed
from findings.cases_unsealing import INDEX_AT, SENDER, altered
from findings.test_cases import CASES

from lowpanbudget.fields.parts import LayoutPart
from lowpanbudget.findings.captures.rules import CAPTURE_RULES
from lowpanbudget.findings.finding import Finding
from lowpanbudget.layers.link.control import FrameType, shape
from lowpanbudget.layers.link.fcs import fcs

OTHER = 0xBEEF
BEHIND_S = 0.0005
# these remember all networks together, and name the one that a node is of
OF_NODES = {
    "frames-not-acknowledged", "frames-refused", "time-corrections-grow", "acknowledgements-without-time",
    "node-fell-silent", "node-was-silent", "node-reports-no-more", "unsecured-among-secured",
    "secured-less-than-others", "key-missing",
}  # fmt: skip
ACROSS = {rule.name for rule in CAPTURE_RULES if rule.across} - OF_NODES
MADE_OF_THE_PAN_ID = {"old-header-compression", "old-identifier-carried"}  # RFC 4944 section 6
OF_ALL = {"context-length-unusual"}  # a context that was given
Fact = tuple[str, str, int, str, str, str]


def moved(octets: bytes, pan: int = OTHER) -> bytes | None:
    """Return a frame in another PAN, under another number; None of one that names none, or is not right.

    IEEE 802.15.4-2006 clause 7.2.1 (from memory): frame control, number, then each PAN ID before its address.
    """
    form = shape(*octets[:2].ljust(2, b"\0"))
    if form.fault is not None or fcs(octets[:-2], 2) != octets[-2:]:
        return None
    made, at = bytearray(octets), form.octets
    if not form.suppressed:
        made[at] = (made[at] + 100) & 0xFF
        at += 1
    pans = []
    for part in form.layout.parts:
        assert isinstance(part, LayoutPart)
        if "PAN" in part.name:
            pans.append(int.from_bytes(made[at : at + 2], "little"))
            made[at : at + 2] = pan.to_bytes(2, "little")
        at += part.least
    if set(pans) != {air.PAN} and form.frame_type != FrameType.ACKNOWLEDGEMENT:
        return None
    return bytes(made[:-2]) + fcs(bytes(made[:-2]), 2)


def both(capture: Capture) -> Capture | None:
    """Return a capture with its copy; None where it cannot be moved."""
    beside = (capture.design, capture.slot, *capture.slots, *capture.channels)
    if any(one is not None for one in beside) or capture.fcs != 2:
        return None
    frames = list(capture.timed())
    copies = [copy for _, octets in frames if (copy := moved(octets)) is not None]
    if len(copies) < len(frames):
        return None
    return replace(
        capture,
        air=[
            one
            for (time_s, octets), copy in zip(frames, copies, strict=True)
            for one in ((time_s, octets), (time_s + BEHIND_S, copy))
        ],
    )


def facts(findings: list[Finding], *, of_other: bool = False) -> list[Fact]:
    """Return what is said of one network, without its name; what knows of both is left out."""
    name = f"PAN {OTHER:#06x}"
    return sorted(
        (
            one.name, one.severity.word, one.count, one.cause, one.advice,
            one.subject.replace(f" of {name}", "").replace(name, ""),
        )
        for one in findings
        if one.name not in ACROSS and (name in one.subject) == of_other
    )  # fmt: skip


@pytest.mark.parametrize("name", sorted({*CASES} - ACROSS - MADE_OF_THE_PAN_ID - OF_ALL))
@pytest.mark.parametrize("of", ["fires", "stays"])
def test_each_network_has_its_own_findings(name: str, of: str) -> None:
    made: Callable[[], Capture] = getattr(CASES[name], of)
    capture = replace(made(), keys=())  # integrity codes cover the PAN IDs: what is sealed stays so
    mixed = both(capture) if isinstance(capture, Capture) else None
    if mixed is None:
        return
    expected = facts(capture.followed())
    found = mixed.followed()
    assert facts(found) == expected
    assert facts(found, of_other=True) == expected


def test_most_captures_can_be_moved() -> None:
    moved_ones = [name for name, case in CASES.items() if both(case.fires()) is not None]
    assert len(moved_ones) > len(CASES) // 2


def test_nodes_of_three_networks_that_fall_silent_have_no_cause_in_common() -> None:
    """Three of one network would: a supply, a router, a key. Of each of three networks one node falls silent here."""
    capture = CASES["node-fell-silent"].fires()
    made: list[bytes | tuple[float, bytes]] = [
        (time_s + BEHIND_S * place, moved(octets, pan) or b"")
        for time_s, octets in capture.timed()
        for place, pan in enumerate((air.PAN, OTHER, OTHER + 1))
    ]
    found = replace(capture, air=made).followed()
    silent = [one for one in found if one.name == "node-fell-silent"]
    (alone,) = [one for one in capture.followed() if one.name == "node-fell-silent"]
    ends = ["", f" of PAN {OTHER:#06x}", f" of PAN {OTHER + 1:#06x}"]
    assert [one.subject for one in silent] == [alone.subject + end for end in ends]
    assert {(one.cause, one.advice) for one in silent} == {(alone.cause, alone.advice)}


@pytest.mark.parametrize(
    ("name", "capture"),
    [
        ("node-fell-silent", renamed(goes_on=True)),
        ("fragments-meet", meeting_in_vain(answered=False)),
    ],
)
def test_what_explains_a_finding_does_so_in_a_second_network(name: str, capture: Capture) -> None:
    """There a node registers another address, or nobody acknowledges the last frames of datagrams; not in the first."""
    second = [(time_s, moved(octets) or b"") for time_s, octets in capture.timed()]
    first = [(time_s - 1, octets) for time_s, octets in heard(40, of=40, acks=True).timed()]
    found = replace(capture, air=[*sorted([*first, *second])]).followed()
    assert not [one for one in found if one.name == name]


def test_an_index_that_one_frame_of_each_network_names_is_no_key_of_either() -> None:
    """A key is of its network: that another has one of the same index says nothing of a single frame."""
    alone = replace(altered(INDEX_AT, (12,), mask=32), keys=())
    made: list[bytes | tuple[float, bytes]] = []
    for time_s, octets in alone.timed():
        copy = moved(octets + fcs(octets, 2)) or b""
        made += [(time_s, octets), (time_s + BEHIND_S, copy[:-2])]
    damaged = [
        [one.subject for one in capture.followed() if one.cause.startswith("octets were damaged")]
        for capture in (alone, replace(alone, air=made))
    ]
    assert damaged == [[SENDER], [SENDER, f"{SENDER} of PAN {OTHER:#06x}"]]


def test_of_networks_that_are_too_many_each_frame_is_judged() -> None:
    """Ports 61617 and 61618 in 4 octets where one would do (RFC 6282 section 4.3.1), in 40 PANs, six times in each."""
    packet = air.datagram(b"reading", "fe80::")
    packed = b"\x7e\x33\xf0" + packet[40:44] + packet[46:]
    frames = [
        air.raw(packed, number, destination_pan=pan) for number in range(6) for pan in range(1, 41)
    ]
    found = [one for one in Capture(list(frames)).followed() if one.name == "ports-not-shortest"]
    assert len(found) == 1 + 16
    assert sum(one.count for one in found) == len(frames)
    assert max(found, key=lambda one: one.count).count == 6 * (40 - 16)


def test_what_networks_beyond_those_told_apart_send_is_not_the_first_ones() -> None:
    """In 40 PANs a node registers one short address, each with an EUI-64 of its own: it is of one PAN alone.

    (IEEE 802.15.4-2015 clause 6.4.2, from memory.)
    """
    to = air.address("fe80::", air.ROOT)
    frames = []
    for pan in range(1, 41):
        option = bytes([33, 2, 0, 0, 0, 0, 0, 60, 2, 0x5E, 0x10, 0xFF, 0xFE, 0, 0, pan])
        body = bytes(4) + to.packed + air.sllao(air.NODE) + option
        message = air.nd_message(135, body, air.address(air.PREFIX, air.NODE), to)
        mac = air.mac(1, (air.NODE, air.ROOT), destination_pan=pan)
        frames.append((0.1 * pan, air.encoded(mac, air.payload(message))))
    found = Capture([*frames]).followed()
    assert [one.name for one in found if one.has_weight] == []
