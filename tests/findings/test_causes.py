"""What a finding closes with, the section and the advice, is that of its cause and not one for all of its name."""

import pytest
from findings import air
from findings.air import Capture
from findings.cases_further import uncompressed
from findings.cases_link import pan_rule
from findings.cases_stopped import COMMON_SERVER, COMMON_SUPPLY, gone_at, stopped_at

from lowpanbudget.findings.finding import Finding
from lowpanbudget.report import terms

# 7a 33: IPHC with UDP in line or LOWPAN_NHC (7e 33); d3 and f3: ports in one octet, then the checksum (RFC 7400
# section 3.1, RFC 6282 section 4.3); f0 and d0: ports in line, 0xf0b1 to 5683, whose contents are CoAP
TO_COAP = "f0b1" + "1633" + "0000"
CAUSES = [
    ("reserved-code-used", "7a043b", "RFC 6282 §3.1.1", "IPHC"),  # M 0, DAC 1, DAM 00
    ("reserved-code-used", "7e33f8", "RFC 6282 §4.1", "NHC"),
    ("reserved-code-used", "7e33eb020100", "RFC 6282 §4.2", "NHC extension"),  # EID 5
    ("reserved-code-used", "48", "RFC 4944 §5.1", "6LoWPAN dispatch"),
    ("reserved-code-used", "7e33d312" + "0000" + "7f", "RFC 7400 §2", "GHC"),  # 011xxxxx
    ("frame-cut-short", "c07d", "RFC 4944 §5.3", ""),  # FRAG1 of 4 octets
    ("frame-cut-short", "7e33f3", "RFC 6282 §4.3.1", ""),
    # CoAP whose token has 9 octets, its fields in line and as a literal of 4 octets
    ("contents-unreadable", f"7e33f0{TO_COAP}49010001", "RFC 7252 §3", ""),
    ("contents-unreadable", f"7e33d0{TO_COAP}0449010001", "RFC 7252 §3", ""),
    # an acknowledgement with a request, and Block1 of size exponent 7
    ("coap-message-forbidden", f"7e33f0{TO_COAP}60010001", "RFC 7252 §4.3", ""),
    ("coap-message-forbidden", f"7e33d0{TO_COAP}07" + "50020001d10e0f", "RFC 7959 §2.2", ""),
    # a recoverable fragment at octet 180 that says 91 octets and brings 4; at 1280 it may be a FRAGN of size 2099
    ("octets-contradict", "e833085b00b4" + "00000000", "RFC 8931 §5.1", ""),
    ("datagram-size-impossible", "e833085b0500" + "00000000", "RFC 4944 §5.3", ""),
]


@pytest.mark.parametrize(("name", "octets", "section", "table"), CAUSES)
def test_it_closes_with_the_section_of_its_cause(
    name: str, octets: str, section: str, table: str
) -> None:
    (one,) = [one for one in heard(octets) if one.name == name]
    assert str(one.cite) == section
    assert (f"(lowpanbudget explain {table})" in one.advice) == bool(table)
    assert not table or terms.explain(table)


def heard(octets: str) -> list[Finding]:
    return Capture([air.raw(bytes.fromhex(octets))]).followed()


def test_it_says_how_the_options_of_its_protocol_count() -> None:
    """An address registration option of one unit, where RFC 8505 section 4.1 wants two to five."""
    ends = air.address("fe80::", air.NODE), air.address("fe80::", air.ROOT)
    body = bytes(4) + ends[1].packed + bytes([33, 1]) + bytes(6)
    packet = air.nd_message(135, body, *ends)
    (one,) = [
        one for one in Capture([air.frame(packet)]).followed() if one.name == "contents-unreadable"
    ]
    assert str(one.cite) == "RFC 8505 §4.1"
    assert "units of 8 octets" in one.advice
    assert "RPL" not in one.advice


def test_different_faults_of_contents_are_told_apart() -> None:
    """RFC 7252 section 3.1: a marker without payload is an error; section 3: a token of 9 octets is."""
    told = (air.coap_message(b"\xff"), b"\x49" + bytes(12), air.coap_message(b"\xff", mid=2))
    frames = [air.frame(air.coap(octets), number) for number, octets in enumerate(told)]
    found = [one for one in Capture(list(frames)).followed() if one.name == "contents-unreadable"]
    assert [(str(one.cite), one.frames) for one in found] == [
        ("RFC 7252 §3.1", (1, 3)),
        ("RFC 7252 §3", (2,)),
    ]


def test_a_checksum_that_was_elided_proves_no_other_reading() -> None:
    """What restores it from the addresses makes it right between any (RFC 6282 section 4.3.2)."""
    names = [one.name for one in pan_rule(2, known=0, elide_udp_checksum=True).followed()]
    assert "pan-id-rule-of-other-version" not in names
    assert names


def test_a_wrong_length_in_line_is_told_once() -> None:
    """UDP says 16 octets of 15, under the checksum of 15: RFC 768 has the length in the sum twice."""
    assert [one.name for one in uncompressed(44).followed()] == ["lengths-disagree"]


@pytest.mark.parametrize(
    ("capture", "name"),
    [
        # three readings apart of each; two at once, which may be chance
        (stopped_at(60, 63, 66), "flow-stopped"),
        (stopped_at(60, 60, 66), "flow-stopped"),
        (gone_at(12, 15, 18), "node-fell-silent"),
    ],
)
def test_what_stops_one_after_the_other_is_told_each_for_itself(
    capture: Capture, name: str
) -> None:
    found = [one for one in capture.followed() if one.name == name]
    assert len(found) == 3
    assert not {COMMON_SERVER, COMMON_SUPPLY} & {one.advice for one in found}
