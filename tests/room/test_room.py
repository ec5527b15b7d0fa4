"""Room and ledger: the room fits and one octet more does not, in real frames that read back as what they carry."""

from dataclasses import replace

import pytest
from design.designs import EXAMPLES
from hypothesis import given, settings
from room.random_paths import mesh_by_hand, random_paths

from lowpanbudget import Key, budget, decode_frame, load_design
from lowpanbudget.bits import Nature, Span, StandInOctets
from lowpanbudget.design import link as link_room
from lowpanbudget.design.application import Application, Dtls
from lowpanbudget.design.load import parse_design
from lowpanbudget.design.path import FlowPath
from lowpanbudget.env import Context, Contexts
from lowpanbudget.errors import DoesNotFit
from lowpanbudget.layers.internet.dtls.suites import SUITES
from lowpanbudget.room.compute import Budget
from lowpanbudget.room.ledger import Ledger
from lowpanbudget.room.measure import room_of
from lowpanbudget.stack.encoding import STAND_IN_KEY

NAMES = ("archive", "footbridge")
BUDGETS = [found for name in NAMES for found in budget(load_design(EXAMPLES / f"{name}.toml"))]


def name_of(found: Budget) -> str:
    return f"{found.flow}-{found.hop}"


def assert_tight(path: FlowPath, room: int) -> None:
    """The room fits one frame of the PHY and the MTU; one octet more takes two frames, or is over the MTU."""
    (frame,) = path.frames(bytes(room))
    assert len(frame.octets) <= path.link.largest
    assert len(path.datagram(bytes(room))) <= path.link.mtu
    try:
        more = path.frames(bytes(room + 1))
    except DoesNotFit:
        assert len(path.datagram(bytes(room + 1))) == path.link.mtu + 1
    else:
        assert len(more) == 2
        assert all(len(one.octets) <= path.link.largest for one in more)


def assert_tiles(spans: tuple[Span, ...], octets: int) -> None:
    ends = [0]
    for span in spans:
        assert span.offset_bits == ends[-1]
        assert span.bits > 0
        ends.append(span.offset_bits + span.bits)
    assert ends[-1] == octets * 8


def assert_reads_back(path: FlowPath, payload: bytes) -> None:
    """The encoded frame decodes, under the stand-in key, to the datagram, with the spans that its encoder left."""
    (frame,) = path.frames(payload)
    assert_tiles(frame.spans, len(frame.octets))
    short = {int.from_bytes(path.hop.source, "big"): bytes(8)} if len(path.hop.source) == 2 else {}
    read = decode_frame(
        frame.octets,
        fcs=path.link.fcs,
        contexts=path.contexts,
        keys=STAND_IN_KEY,
        devices=short,
        asn=0 if path.link.slotted else None,
        root=path.root if path.flow.routing.compressed else None,
    )
    assert read.fault is None
    assert read.datagram is not None
    assert read.datagram.octets == path.datagram(payload)
    assert read.mac is not None
    assert read.mac.fcs_ok
    assert laid_out(read.spans, path) == laid_out(frame.spans, path)


def laid_out(spans: tuple[Span, ...], path: FlowPath) -> list[tuple[int, int, str, str]]:
    """Return where what stands; an end-to-end protected payload, into which the encoder alone can look, as one run."""
    application = path.flow.application
    names = [(s.offset_bits, s.bits, s.layer, s.name) for s in spans]
    if application.oscore is None and application.dtls is None:
        return names
    start = next(at for at, name in enumerate(names) if name[2] in {"CoAP", "DTLS", "payload"})
    return names[:start]


@pytest.mark.parametrize("found", BUDGETS, ids=name_of)
def test_the_room_fits_and_one_octet_more_does_not(found: Budget) -> None:
    assert_tight(found.path, found.room)


@pytest.mark.parametrize("found", BUDGETS, ids=name_of)
def test_the_ledger_is_that_of_a_full_frame(found: Budget) -> None:
    assert_tiles(found.ledger.spans, found.ledger.octets)
    assert found.ledger.octets == found.path.link.largest  # the MTU does not end these
    carried = sum(span.bits for span in found.ledger if span.layer == "payload") // 8
    assert carried == max(found.room, 0)
    data = [span for span in found.ledger.spans if span.layer == "payload"]
    assert sum(span.bits for span in data) == found.room * 8
    layers = found.ledger.layers()
    assert sum(bits for _, bits in layers) == found.ledger.octets * 8
    assert all(span.cite for span in found.ledger.spans if span.layer != "payload")
    assert all(span.meaning or span.value is not None for span in found.ledger.spans)


@pytest.mark.parametrize("found", BUDGETS, ids=name_of)
def test_full_and_empty_frames_read_back(found: Budget) -> None:
    for payload in (b"", b"x", bytes(range(found.room))):
        assert_reads_back(found.path, payload)


@pytest.mark.long
@settings(max_examples=200)
@given(random_paths())
def test_random_designs(path: FlowPath) -> None:
    room = room_of(path)
    assert_tight(path, room)
    assert_reads_back(path, bytes(index % 251 for index in range(room)))


def test_padding_is_room_where_headers_fill_the_frame() -> None:
    """RFC 9147 section 4.2.3: a ciphertext has 16 octets at least; 9 are type and tag: 7 of data cost nothing."""
    design = load_design(EXAMPLES / "footbridge.toml")
    flow, full = design.flow("routed"), 0
    dtls = Application(dtls=Dtls(SUITES["TLS_AES_128_CCM_8_SHA256"], epoch=3))
    for label in (0, 7):
        for source, destination in ((0xF0B2, 0xF0B1), (5000, 0xF0B1), (5000, 5001)):
            for pan_ids in ("one", "none"):
                changed = replace(
                    flow, flow_label=label, source_port=source, destination_port=destination, application=dtls
                )  # fmt: skip
                link = replace(design.link, pan_ids=pan_ids)
                for path in replace(design, link=link).paths(changed):
                    if path.rest == 0:
                        full += 1
                        assert room_of(path) == 7
                        assert_tight(path, 7)
    assert full


def test_a_ledger_that_does_not_tile_is_refused() -> None:
    (frame,) = BUDGETS[0].path.frames(b"abc")
    for spans in (frame.spans[1:], frame.spans[:-1], (*frame.spans, frame.spans[-1])):
        with pytest.raises(AssertionError):
            Ledger(spans, len(frame.octets))


@pytest.mark.parametrize("name", NAMES)
def test_no_key_is_shown(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    secret = bytes(range(0x61, 0x71))  # frames are sealed with zeros, which payloads are as well
    monkeypatch.setattr(link_room, "STAND_IN_KEY", Key(secret))
    text = (EXAMPLES / f"{name}.toml").read_text().replace("pan_id = 0x", "pan_id = 0x0", 1)
    for found in budget(parse_design(text)):
        shown = repr(found) + repr(found.path) + repr(found.ledger.spans)
        assert secret.hex() not in shown
        assert secret.decode() not in shown


@pytest.mark.parametrize("name", ["footbridge", "archive"])
def test_what_only_shows_a_size_is_marked(name: str) -> None:
    """Integrity code, counter, sequence number and room are stand-ins; headers are what would be sent."""
    for one in budget(load_design(EXAMPLES / f"{name}.toml")):
        marked = {span.name for span in one.ledger if span.stand_in}
        expected = {"MIC", "sequence number", *(["payload"] if one.room > 0 else [])}
        if name == "archive":
            expected.add("frame counter")  # the footbridge's nonces come from slot numbers
        assert marked == expected
        room = sum(span.bits for span in one.ledger if span.stand_in and span.layer == "payload")
        assert room == 8 * max(one.room, 0)
        assert len(one.ledger.frame) == one.ledger.octets


@pytest.mark.parametrize("name", NAMES)
def test_octets_that_show_a_size_are_told_from_zeros(name: str) -> None:
    """They are equal as octets, and what is remembered of one is not told of the other."""
    design = load_design(EXAMPLES / f"{name}.toml")
    for flow in design.flows:
        for path in design.paths(flow):
            for data in (bytes(9), StandInOctets(9), bytes(9)):
                (frame,) = path.frames(data)
                marks = {span.stand_in for span in frame.spans if span.nature is Nature.PAYLOAD}
                assert marks == {isinstance(data, StandInOctets)}


@given(random_paths())
def test_what_decides_no_octet_is_measured_once(path: FlowPath) -> None:
    """Contexts of other prefixes, and a root that writes no route, leave the headers as they are: packed again, to see.

    The link leaves what it leaves between any addresses of these lengths.
    """
    free = [number for number in range(16) if number not in path.contexts]
    others = dict(zip(free, (Context("2001:db8:abcd::/48"), Context("fd00:5::/64")), strict=False))
    border = replace(
        path.flow.border, short=b"\x70\x09", extended=bytes.fromhex("020000000000bbbb")
    )
    same = replace(
        path, contexts=Contexts({**path.contexts, **others}), flow=replace(path.flow, border=border)
    )
    sizes = path.packed_sizes()
    assert path.header_sizes == sizes == same.packed_sizes() == same.header_sizes
    ends = {path.flow.source.role, path.flow.destination.role}
    # what comes into a mesh below IPv6 has the border router for its originator
    if path.flow.group is None and not (path.flow.mesh_under and "outside" in ends):
        assert same.header_form == path.header_form
    left = path.link.room(path.hop.source, path.hop.destination)
    assert path.link_room == left - mesh_by_hand(path)


LEFT_OVER = """
title = "Probes in a vault"
link = {{ addresses = "{form}", pan_id = 1 }}
[[context]]
id = 0
prefix = "{prefix}"
[[station]]
name = "node"
role = "node"
short = 0x58{node:02x}
extended = "025e1000000058{node:02x}"
prefix = "2001:db8:1:1::/64"
[[station]]
name = "root"
role = "border"
short = 0x5801
extended = "025e100000005801"
prefix = "2001:db8:1:1::/64"
[[flow]]
name = "up"
source = "node"
destination = "root"
hops = 3
source_port = 0xf0b1
destination_port = 0xf0b2
"""


@pytest.mark.parametrize(
    ("form", "prefix"),
    [
        ("short", "2001:db8:1:1:0:ff:fe00:5800/120"),
        ("short", "2001:db8:1:1:0:ff:fe00:{:x}/127"),
        ("extended", "2001:db8:1:1:5e:1000:0:5800/120"),
    ],
)
def test_no_bit_of_an_address_comes_from_a_router_that_nobody_knows(form: str, prefix: str) -> None:
    """What a context leaves open is "computed from the encapsulating header" (RFC 6282 section 3.1.1).

    The end of a hop that stands for any router elides nothing of another node's address, whatever that node's is.
    """
    rooms = set()
    for node in (0xF0, 0xF1, 0xF2, 0xF3, 0xF4, 0x33):
        text = LEFT_OVER.format(form=form, prefix=prefix.format(0x5800 | node & 0xFE), node=node)
        rooms.add(tuple(hop.room for hop in budget(parse_design(text))))
    assert len(rooms) == 1
