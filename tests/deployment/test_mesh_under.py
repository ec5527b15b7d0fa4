"""Networks that forward frames below IPv6 (RFC 4944 section 11): what they take on the air, and what is not played."""

from collections.abc import Sequence
from io import BytesIO
from itertools import pairwise

import pytest
from design.test_mesh_under import HEAD, STATIONS, flow
from findings.air import NODE, Capture
from findings.cases_application import SMALL
from findings.cases_mesh import PLAN_BELOW, all_kept, over_relay, readings

from lowpanbudget import (
    Design,
    FrameType,
    Mac,
    MeasuredFlow,
    Record,
    airtime,
    budget,
    carry,
    carry_burst,
    encode_frame,
    measure,
    parse_design,
    read_capture,
    review,
    write_pcap,
)  # fmt: skip

NETWORK = """
[access]
method = "csma"
retries = 3
[tree]
by_hop = [2, 2, 2]
[loss]
frames = 0.02
octets = 60
"""
MESSAGE = """
[[message]]
name = "level"
byte_order = "big"
bit_order = "msb-first"
layout = "bit-packed"
[[message.field]]
kind = "octets"
name = "samples"
length = {}
"""


def design_text(octets: int, more: str = "", **keys: str) -> str:
    sent = flow(messages='["level"]', every_s="600", most_frames="4", **keys)
    return HEAD + NETWORK + more + STATIONS + sent + MESSAGE.format(octets)


def design(octets: int, more: str = "", **keys: str) -> Design:
    return parse_design(design_text(octets, more, **keys))


def test_a_frame_takes_as_long_on_each_hop() -> None:
    """The mesh header's 5 octets are on both: 9 + 5 + 2 + 4 + 20 + 2, at 32 µs each behind 6 octets of the PHY."""
    first, forwarded = airtime(design(20))
    assert first.on_air_us == forwarded.on_air_us == (6 + 42) * 32


def test_each_hop_carries_all_fragments_with_their_mesh_headers() -> None:
    """106 octets go behind 9 of MAC header, 5 of mesh header and 2 of check sequence: 127 in all, or fewer."""
    first, forwarded = airtime(design(250))
    assert first.count == forwarded.count == 3
    assert first.on_air_us == forwarded.on_air_us


def test_messages_of_one_frame_are_carried() -> None:
    network = carry(design(20))
    assert any("frames forwarded below IPv6 (levels)" in one for one in network.taken)
    routed = carry(design(20, routing="{ rpi = false }"))
    assert not any("below IPv6" in one for one in routed.taken)


@pytest.mark.parametrize(
    ("kind", "said"),
    [
        ("plain", "datagrams in several frames (levels level) are put together at their end alone"),
        ("recoverable", "recoverable fragments (levels level) are forwarded one by one, in a mesh"),
    ],
)
def test_fragments_that_a_mesh_forwards_are_played(kind: str, said: str) -> None:
    """Section 11: a forwarder passes each frame on, whatever became of the first; that is no hop-by-hop reassembly."""
    network = f'[network]\nfragments = "{kind}"\n'
    found = carry(design(250, network))
    assert any(one.startswith(said) for one in found.taken)
    assert [one.hop for one in found.services if one.message == "level"] == [1, 2, 3]
    routed = carry(design(250, network, routing="{ rpi = false }"))
    assert not any(one.startswith(said) for one in routed.taken)


def test_fragments_of_a_mesh_meet_those_before_them() -> None:
    """A simulation of messages in two frames of 122 and 48 octets, one each 30 s of 25 nodes over up to 6 hops.

    They send one frame of 25 octets each 5 s beside them, and 2 % of frames are lost. It was written apart from this
    package, from the rules of the standard and of ``tree`` alone; its shares are known to 0.4, 1 and 2 to 2.5 %.
    The second frame meets the first, which those two hops ahead pass on and its sender does not hear.
    """
    text = design_text(123, hops="6").replace("[2, 2, 2]", "[5, 4, 4, 4, 4, 4]")
    text = text.replace("octets = 60\n", "").replace("every_s = 600", "every_s = 30")
    short = flow("short", messages='["short"]', every_s="5", hops="6").replace("0xf0b1", "0xf0b9")
    more = MESSAGE.format(3).replace("level", "short")
    found = carry(parse_design(text + short + more))
    arrive = {one.hop: one for one in found.services if one.message == "level"}
    simulated = (0.9935, 0.957, 0.791, 0.633, 0.544, 0.521)
    for hop, share in enumerate(simulated, 1):
        one = arrive[hop]
        assert one.delivered == pytest.approx(share, abs=one.half_width + 0.025)


def test_a_burst_of_fragments_that_a_mesh_forwards_is_played() -> None:
    burst = '[[burst]]\nname = "storm"\nflow = "levels"\npackets = 4\noctets = {}\nevery_s = 1\n'
    plan = carry_burst(design(20, burst.format(250)), "storm")
    assert (plan.packets, plan.frames) == (4, 3)
    assert any("put together at their end alone" in one for one in plan.taken)
    assert carry_burst(design(20, burst.format(40)), "storm").taken == ()


def test_a_review_plays_the_queues_of_fragments_in_a_mesh() -> None:
    text = design_text(250, "[queue]\nframes = 2\n")
    slots = text.replace(
        'method = "csma"\n',
        'method = "slots"\nslots = { slotframe = 31, shared_cells = 1, cells = 6 }\n',
    ).replace('addresses = "short"\n', 'addresses = "short"\nframe_version = 2\nslotted = true\n')
    for below in ("mesh_under = true", "rpi = false"):
        kept = slots.replace("600", "2").replace("mesh_under = true", below)
        assert "queue-overflows" in [one.name for one in review(parse_design(kept))]


def test_one_lost_fragment_is_cautioned_of() -> None:
    """RFC 8931 appendix A: "mesh-under techniques compound that risk over multiple hops"."""

    def said(more: str = "", **keys: str) -> bool:
        return any(
            "RFC 8931 appendix A" in text
            for one in budget(design(20, more, **keys))
            for text in one.cautions
        )

    assert said()
    assert not said(routing="{ rpi = false }")
    assert not said('[network]\nfragments = "recoverable"\n')


def heard(planned: Design, payload: int, way: Sequence[bytes]) -> BytesIO:
    """Return a capture of ten datagrams, one each ten minutes, whose frames each go over the whole way before the next.

    By hand: the second octet of the mesh header's first word and the MAC header are all that a forwarder changes; a tag
    stands behind mesh header and size (RFC 4944 sections 5.2 and 5.3).
    """
    (path, _), records, sequence = planned.paths(planned.flows[0]), list[Record](), 0
    header = len(path.link.frame(path.hop.source, path.hop.destination, b"").octets) - 2
    for turn in range(10):
        at = turn * 600.0
        for frame in path.frames(bytes([turn]) * payload):
            carried = bytearray(frame.octets[header:-2])
            carried[7:9] = (
                (turn + 1).to_bytes(2, "big") if carried[5] & 0xC0 == 0xC0 else carried[7:9]
            )
            for left, (source, to) in zip((3, 2, 1), pairwise(way), strict=True):
                carried[0] = 0xB0 | left
                sequence = (sequence + 1) & 0xFF
                mac = Mac(
                    FrameType.DATA, 1, sequence, 0x4D55, to, None, source, pan_id_compression=True
                )
                octets, at = encode_frame(mac, bytes(carried)).octets, at + 0.01
                records.append(Record(len(records) + 1, int(at * 1e9), 195, octets, len(octets)))
    file = BytesIO()
    write_pcap(file, records, 195)
    file.seek(0)
    return file


WAY = [bytes.fromhex(one) for one in ("0017", "0031", "0032", "0001")]


def test_what_a_mesh_carried_is_measured_beside_its_plan() -> None:
    planned = design(20)
    found = measure(read_capture(heard(planned, 20, WAY)), design=planned)
    (flow_found,) = found.flows
    assert flow_found.arrived is not None
    assert flow_found.arrived.count == 10
    assert dict(flow_found.hops) == {3: 10}


def test_fragments_that_a_mesh_forwards_are_measured_beside_their_plan() -> None:
    """Section 11: each frame goes over all links before the next one leaves; three links, as planned."""
    planned = design(120)
    found = measure(read_capture(heard(planned, 120, WAY)), design=planned)
    (flow_found,) = found.flows
    assert (flow_found.message, flow_found.datagrams) == ("level", 10)
    assert flow_found.arrived is not None
    assert flow_found.arrived.count == 10
    assert dict(flow_found.hops) == {3: 10}
    assert not [one for one in found.unknown if "link of" in one]


def of_node(capture: Capture) -> MeasuredFlow:
    """Return what is measured of the readings of NODE."""
    found = measure(list(capture.records()), contexts=SMALL, design=PLAN_BELOW)
    (one,) = [one for one in found.flows if int(one.flow.source) & 0xFFFF == int.from_bytes(NODE)]
    return one


def test_what_a_mesh_keeps_is_lost_though_the_end_was_never_heard() -> None:
    """Its header names the end (RFC 4944 section 5.2); by their numbers all frames of who has it were heard here."""
    found = of_node(all_kept())
    assert found.arrived is not None
    assert (found.arrived.count, found.arrived.trials, found.perhaps) == (0, 10, 0)
    # an address of another length may be that of the node that has it
    assert of_node(all_kept(bytes.fromhex("0012345678000018"))).arrived is None
    # and of who was not heard to send nobody knows what it sends on
    assert of_node(all_kept(own=False)).arrived is None


def test_what_comes_with_its_last_hop_to_another_node_is_lost() -> None:
    """ "The packet is not forwarded any further if Hops Left is decremented to zero" (RFC 4944 section 5.2)."""
    found = of_node(over_relay(*readings(10), every_s=20.0, kept=10, left=1))
    assert found.arrived is not None
    assert (found.arrived.count, found.perhaps, found.run_out) == (0, 0, 10)
    assert found.dropped == "10 whose hops end on the way"
    whole = of_node(over_relay(*readings(10), every_s=20.0))
    assert whole.arrived is not None
    assert (whole.arrived.count, whole.run_out) == (10, 0)
