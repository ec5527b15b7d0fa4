"""The public contract: names, arguments, results and errors that others build on."""

import inspect
from ipaddress import IPv6Address, IPv6Network
from pathlib import Path
from typing import Any

import pytest

import lowpanbudget
from lowpanbudget import (
    Context,
    Env,
    Key,
    LowpanError,
    Mac,
    Reassembler,
    RequestError,
    Security,
    WireError,
    budget,
    compress,
    decode_frame,
    decompress,
    encode_frame,
    fit,
    load_design,
    split,
)

SOURCE, DESTINATION = bytes.fromhex("02005eef10000001"), bytes.fromhex("02005eef10000002")
# built by a general packet library: fe80::5eef:1000:1 to :2, UDP 0xf0b1 to 0xf0b2, "hello"
DATAGRAM = bytes.fromhex(
    "6000 0000 000d 1140 fe80000000000000 00005eef10000001 fe80000000000000 00005eef10000002"
    "f0b1 f0b2 000d ffb9 68656c6c6f"
)
# by hand, RFC 6282 figures 2 and 14
WIRE = bytes.fromhex("7e33 f3 12 ffb9 68656c6c6f")
NO_CHECKSUM = bytes.fromhex("7e33 f7 12 68656c6c6f")
ENV = Env(SOURCE, DESTINATION)
EXAMPLES = Path(__file__).parents[1] / "examples"
MAC = Mac(destination_pan=0xABCD, destination=DESTINATION, source=SOURCE, pan_id_compression=True)


def test_every_name_of_the_contract_is_there() -> None:
    names = {
        "Context", "Env", "Key", "Reassembler", "budget", "compress", "decode_frame", "decompress",
        "encode_frame", "fit", "load_design", "split", "Span",
        "LowpanError", "WireError", "Truncated", "Reserved", "Malformed", "BadMic", "NotSupported",
        "RequestError", "DesignError", "DoesNotFit",
    }  # fmt: skip
    assert names <= set(lowpanbudget.__all__)
    assert names <= set(dir(lowpanbudget))
    unknown = "nothing_of_the_kind"
    with pytest.raises(AttributeError, match=unknown):
        getattr(lowpanbudget, unknown)


@pytest.mark.parametrize(
    ("function", "arguments"),
    [
        (Env, ["source", "destination", "pan_id", "contexts", "root", "rpi_type"]),
        (compress, ["packet", "env", "elide_udp_checksum", "ghc", "lorh"]),
        (decompress, ["octets", "env"]),
        (split, ["packet", "env", "room", "tag", "elide_udp_checksum", "ghc", "lorh"]),
        (encode_frame, ["mac", "payload", "key", "asn", "fcs"]),
        (
            decode_frame,
            ["octets", "fcs", "contexts", "keys", "devices", "asn", "root", "rpi_type"],
        ),
        (Reassembler, ["contexts", "timeout_s", "max_datagrams", "max_octets"]),
        (Reassembler.feed, ["frame", "time_s"]),
        (load_design, ["path"]),
        (budget, ["design", "flow"]),
        (fit, ["design", "message"]),
    ],
)
def test_arguments_keep_their_names_and_order(function: object, arguments: list[str]) -> None:
    assert callable(function)
    there = [name for name in inspect.signature(function).parameters if name != "self"]
    assert [name for name in there if name in arguments] == arguments


# --- Env ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "link",
    [
        SOURCE,
        "02005eef10000001",
        "02:00:5e:ef:10:00:00:01",
        "02-00-5E-EF-10-00-00-01",
        bytearray(SOURCE),
        memoryview(SOURCE),
    ],
)
def test_link_addresses_are_octets_or_hex(link: bytes | str) -> None:
    assert Env(link).source == SOURCE


@pytest.mark.parametrize(
    ("arguments", "named"),
    [
        ({"source": b"123"}, "source"),
        ({"source": "xyz"}, "source"),
        ({"destination": "00:01:02"}, "destination"),
        ({"destination": 5}, "destination"),
        ({"pan_id": 0x10000}, "pan_id"),
        ({"pan_id": -1}, "pan_id"),
        ({"pan_id": "abcd"}, "pan_id"),
        ({"pan_id": 1.5}, "pan_id"),
        ({"contexts": 5}, "contexts"),
        ({"contexts": ["2001:db8::/64"]}, "contexts"),
        ({"contexts": {16: "2001:db8::/64"}}, "16"),
        ({"contexts": {-1: "2001:db8::/64"}}, "-1"),
        ({"contexts": {"0": "2001:db8::/64"}}, "'0'"),
        ({"contexts": {True: "2001:db8::/64"}}, "True"),
        ({"contexts": {0: "2001:db8::/129"}}, "2001:db8::/129"),
        ({"contexts": {0: "2001:db8::1/64"}}, "did you mean 2001:db8::/64"),
        ({"contexts": {0: "no prefix"}}, "no prefix"),
        ({"contexts": {0: 7}}, "7"),
        ({"root": "nowhere"}, "root"),
        ({"root": 5}, "root"),
        ({"rpi_type": 0x64}, "rpi_type"),
    ],
)
def test_a_wrong_argument_is_named(arguments: dict[str, object], named: str) -> None:
    with pytest.raises(RequestError) as caught:
        Env(**arguments)  # type: ignore[arg-type]
    assert named in str(caught.value)


def test_contexts_are_texts_networks_or_contexts() -> None:
    network = IPv6Network("2001:db8::/64")
    table = {0: "2001:db8::/64", 1: network, 15: Context(network, may_compress=False)}
    env = Env(contexts=table)
    assert [env.contexts[number].prefix for number in (0, 1, 15)] == [network] * 3
    assert [env.contexts[number].may_compress for number in (0, 1, 15)] == [True, True, False]
    assert len(Env().contexts) == 0


def test_root_is_an_address() -> None:
    for root in ("2001:db8::1", IPv6Address("2001:db8::1")):
        assert Env(root=root).root == IPv6Address("2001:db8::1")
    assert Env().rpi_type == 0x63
    assert Env(rpi_type=0x23).rpi_type == 0x23


# --- one payload -------------------------------------------------------------------------------------


def test_compress_and_decompress() -> None:
    assert compress(DATAGRAM, ENV).octets == WIRE
    assert decompress(WIRE, ENV).octets == DATAGRAM
    assert compress(DATAGRAM, ENV, elide_udp_checksum=True).octets == NO_CHECKSUM
    assert decompress(NO_CHECKSUM, ENV).octets == DATAGRAM


@pytest.mark.parametrize("kind", [bytes, bytearray, memoryview])
def test_any_kind_of_octets_will_do(kind: type) -> None:
    assert compress(kind(DATAGRAM), ENV).octets == WIRE
    assert decompress(kind(WIRE), ENV).octets == DATAGRAM


def test_a_scapy_packet_will_do() -> None:
    scapy = pytest.importorskip("scapy.layers.inet6")
    inet = pytest.importorskip("scapy.layers.inet")
    packet = scapy.IPv6(src="fe80::5eef:1000:1", dst="fe80::5eef:1000:2", hlim=64)
    packet = packet / inet.UDP(sport=0xF0B1, dport=0xF0B2) / b"hello"
    assert compress(packet, ENV).octets == WIRE
    assert split(packet, ENV, room=80, tag=1) == [WIRE]


@pytest.mark.parametrize("wrong", ["7e33", 5, None, [0x7E, 0x33], object()])
def test_what_is_no_octets_is_a_wrong_request(wrong: object) -> None:
    with pytest.raises(RequestError):
        compress(wrong, ENV)
    with pytest.raises(RequestError):
        decompress(wrong, ENV)  # type: ignore[arg-type]
    with pytest.raises(RequestError):
        split(wrong, ENV, room=80, tag=0)
    with pytest.raises(RequestError):
        decode_frame(wrong)  # type: ignore[arg-type]


def test_eliding_a_wrong_checksum_is_a_wrong_request() -> None:
    """RFC 6282 section 4.3.2: "A compressor MUST verify the UDP Checksum before it is elided"."""
    wrong = DATAGRAM[:46] + b"\x12\x34" + DATAGRAM[48:]
    with pytest.raises(RequestError, match=r"0x1234.*0xffb9"):
        compress(wrong, ENV, elide_udp_checksum=True)
    assert decompress(compress(wrong, ENV).octets, ENV).octets == wrong


def test_an_ipv6_length_that_disagrees_is_a_wrong_request() -> None:
    for octets in (DATAGRAM + b"!", DATAGRAM[:-1], DATAGRAM[:20], b""):
        with pytest.raises(RequestError):
            compress(octets, ENV)


def test_a_udp_length_that_disagrees_goes_without_nhc() -> None:
    odd = DATAGRAM[:44] + b"\x00\x0c" + DATAGRAM[46:]
    packed = compress(odd, ENV).octets
    assert packed[:3] == bytes.fromhex("7a3311")  # NH=0, 17 in line
    assert decompress(packed, ENV).octets == odd


# --- frames ------------------------------------------------------------------------------------------


def test_a_frame_and_all_that_it_says() -> None:
    octets = encode_frame(MAC, WIRE).octets
    # by hand: data, PAN ID compression, version 1, extended addresses, least significant octet first
    assert octets[:-2] == bytes.fromhex("41dc 00 cdab 02000010ef5e0002 01000010ef5e0002") + WIRE
    frame = decode_frame(octets)
    assert frame.mac is not None
    assert (frame.mac.version, frame.mac.frame_type, frame.mac.sequence) == (1, 1, 0)
    assert (frame.mac.destination_pan, frame.mac.source_pan) == (0xABCD, None)
    assert (frame.mac.destination, frame.mac.source) == (DESTINATION, SOURCE)
    assert frame.mac.pan_id_compression
    assert frame.mac.header_length == 21
    assert frame.mac.fcs_ok is True
    assert (frame.mac.header_ies, frame.mac.payload_ies, frame.mac.security) == ((), (), None)
    assert frame.payload == WIRE
    assert (frame.link_source, frame.link_destination) == (SOURCE, DESTINATION)
    assert frame.datagram is not None
    assert frame.datagram.octets == DATAGRAM
    assert frame.fault is None
    assert list(frame.notices) == []
    assert frame.layers
    for span in frame.spans:
        assert span._fields == (
            "offset_bits", "bits", "layer", "name", "value", "meaning", "cite", "removed_by",
            "order", "source", "stand_in", "nature",
        )  # fmt: skip


@pytest.mark.parametrize("fcs", [0, False, 2, True, 4])
def test_the_fcs_has_two_or_four_octets_or_none(fcs: int) -> None:
    octets = encode_frame(MAC, WIRE, fcs=2 if fcs is True else int(fcs)).octets
    frame = decode_frame(octets, fcs=fcs)
    assert frame.mac is not None
    assert frame.mac.fcs_ok is (None if not fcs else True)
    assert frame.payload == WIRE
    damaged = octets[:-1] + bytes([octets[-1] ^ 1])
    if fcs:
        mac = decode_frame(damaged, fcs=fcs).mac
        assert mac is not None
        assert mac.fcs_ok is False


@pytest.mark.parametrize(
    ("mac", "payload", "named"),
    [
        (None, b"", "Mac"),
        (MAC, None, "octets"),
        (MAC, "41", "octets"),
        (MAC, 5, "octets"),
        (Mac(frame_type=9), b"", "frame type 9"),
    ],
)
def test_what_makes_no_frame_is_named(mac: Any, payload: Any, named: str) -> None:
    with pytest.raises(RequestError, match=named):
        encode_frame(mac, payload)


def test_an_fcs_is_written_as_it_is_read() -> None:
    assert encode_frame(MAC, WIRE, fcs=True) == encode_frame(MAC, WIRE, fcs=2)
    assert encode_frame(MAC, WIRE, fcs=False) == encode_frame(MAC, WIRE, fcs=0)


@pytest.mark.parametrize("design", [None, "examples/archive.toml", 5])
def test_budget_and_fit_take_a_design(design: Any) -> None:
    for function in (budget, fit):
        with pytest.raises(RequestError, match="load_design"):
            function(design)


def test_a_ledger_is_the_list_of_spans_that_tiles_a_frame() -> None:
    one = budget(load_design(EXAMPLES / "archive.toml"), "climate")[0]
    assert one.ledger[0] == next(iter(one.ledger))
    assert len(one.ledger) == len(list(one.ledger))
    assert sum(span.bits for span in one.ledger) == 127 * 8  # the PSDU of 2.4 GHz


@pytest.mark.parametrize("fcs", [1, 3, 8, -2, "2", None, [2]])
def test_no_other_fcs_exists(fcs: Any) -> None:
    with pytest.raises(RequestError):
        decode_frame(b"", fcs=fcs)


def test_octets_too_few_for_header_and_fcs_say_so() -> None:
    """IEEE 802.15.4: frame control and FCS have 2 octets each; without FCS the same octets are a header's beginning."""
    fault = decode_frame(bytes.fromhex("0200")).fault
    assert fault is not None
    assert "FCS" in fault.hint
    fault = decode_frame(bytes.fromhex("02"), fcs=False).fault
    assert fault is not None
    assert "FCS" not in fault.hint


def test_nothing_is_shorter_than_a_short_address() -> None:
    """IEEE 802.15.4 addresses have 2 or 8 octets."""
    for octets, shorter in ((2, ""), (8, "2 octets with a short address")):
        mac = Mac(
            destination_pan=1,
            destination=bytes(octets),
            source=bytes(octets),
            pan_id_compression=True,
        )
        spans = [
            s for s in decode_frame(encode_frame(mac, b"").octets).spans if "address" in s.name
        ]
        assert [(s.bits, s.removed_by) for s in spans] == [(8 * octets, shorter)] * 2


def test_a_frame_with_a_fault_keeps_it() -> None:
    frame = decode_frame(encode_frame(MAC, b"\x7a").octets)
    assert isinstance(frame.fault, WireError)
    assert frame.fault.offset == 21
    assert frame.datagram is None
    assert frame.payload == b"\x7a"


def test_an_elided_checksum_without_a_verified_code_is_noted() -> None:
    """RFC 6282 section 4.3.2: without an additional integrity check "the decompressor MUST drop the packet"."""
    frame = decode_frame(encode_frame(MAC, NO_CHECKSUM).octets)
    assert frame.datagram is not None
    assert frame.datagram.octets == DATAGRAM
    assert {"udp-checksum-elided", "elided-without-check"} <= {n.name for n in frame.notices}

    secured = Mac(
        destination_pan=0xABCD, destination=DESTINATION, source=SOURCE, pan_id_compression=True,
        security=Security(5, key_id_mode=0, frame_counter=7),
    )  # fmt: skip
    octets = encode_frame(secured, NO_CHECKSUM, key=bytes(range(16))).octets
    frame = decode_frame(octets, keys=[bytes(range(16))])
    assert frame.datagram is not None
    assert frame.datagram.octets == DATAGRAM
    names = {notice.name for notice in frame.notices}
    assert "udp-checksum-elided" in names
    assert "elided-without-check" not in names
    sealed = decode_frame(octets)
    assert sealed.payload is None
    assert sealed.datagram is None


def test_a_key_never_shows() -> None:
    secret = bytes(range(0xA0, 0xB0))
    for key in (Key(secret), Key(secret, key_id_mode=1, index=3)):
        assert secret.hex() not in repr(key).lower()
        assert str(secret) not in repr(key)
        assert secret.hex() not in str(key).lower()


# --- errors ------------------------------------------------------------------------------------------


def test_the_error_tree() -> None:
    for name in ("Truncated", "Reserved", "Malformed", "BadMic", "NotSupported"):
        assert issubclass(getattr(lowpanbudget, name), WireError)
    for name in ("DesignError", "DoesNotFit"):
        assert issubclass(getattr(lowpanbudget, name), RequestError)
    assert issubclass(WireError, LowpanError)
    assert issubclass(RequestError, LowpanError)
    assert not issubclass(RequestError, WireError)
    assert (WireError.exit_code, RequestError.exit_code) == (3, 2)
    assert LowpanError.exit_code == 70
