"""How public values show themselves (``repr``): in one line, short, addresses as text, octets in hex, and no key."""

from collections.abc import Iterator
from ipaddress import IPv6Address
from typing import Any

import pytest
from contract import air
from test_public_frozen import ARCHIVE, BARE, DEFINITIONS, EXAMPLES, FOOTBRIDGE, RESULTS, inside

import lowpanbudget
from lowpanbudget import (
    Beacon,
    Command,
    Datagram,
    Decoder,
    Device,
    Element,
    Env,
    FragmentKey,
    IpInIp,
    Key,
    LowpanError,
    Mac,
    Mesh,
    Reader,
    Reassembler,
    Record,
    RecordKeys,
    Rpi,
    Security,
    Shrinker,
    Skipped,
    SourceLinkLayerAddress,
    SourceRoute,
    Span,
    SrhLorh,
    Writer,
    encode_frame,
    measure,
    survey,
)

SHORT, EUI = b"\x00\x12", bytes.fromhex("02005e1000000001")
ADDRESS = IPv6Address("2001:db8::1")
WHOLE = "(IPv6Address('2001:db8::1').packed,)"
LINKS = "destination='0x0012', source='02:00:5e:10:00:00:00:01'"


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        (Command(4), "Command(id=4)"),
        (Command(4, more=b"\x00\x01"), "Command(id=4, more=bytes.fromhex('0001'))"),
        (Skipped(9, bytes(16)), f"Skipped(kind=9, octets=bytes.fromhex('{'00' * 16}'))"),
        (Skipped(9, bytes(31)), f"Skipped(kind=9, octets=<31 octets, {'00' * 16}...>)"),
        (
            SourceRoute(next_header=17, segments_left=1, addresses=(ADDRESS.packed,)),
            f"SourceRoute(next_header=17, segments_left=1, cmpr_i=0, cmpr_e=0, pad=0, addresses={WHOLE})",
        ),
        (SrhLorh((b"AB", b"CD")), "SrhLorh(hops=(bytes.fromhex('4142'), bytes.fromhex('4344')))"),
        (IpInIp(64), "IpInIp(hop_limit=64)"),
        (Rpi(down=True), "Rpi(instance=0, sender_rank=0, down=True)"),
        (Mesh(3, SHORT, EUI), "Mesh(hops_left=3, originator='0x0012', final='02:00:5e:10:00:00:00:01')"),
        (SourceLinkLayerAddress(address=SHORT), "SourceLinkLayerAddress(address='0x0012')"),
        (
            Mac(1, 1, 7, destination=SHORT, source=EUI),
            f"Mac(frame_type=1, version=1, sequence=7, {LINKS}, header_length=0)",
        ),
        (Element(0x22, b"1"), "Element(id=34, content=b'1')"),
        (Security(5), "Security(level=5, key_id_mode=0, frame_counter=0)"),
        (Beacon(payload=b"hi"), "Beacon(payload=b'hi')"),
        (
            FragmentKey(SHORT, EUI, 1280, 7, 1),
            "FragmentKey(source='0x0012', destination='02:00:5e:10:00:00:00:01', size=1280, tag=7, pan=1)",
        ),
        (
            Record(1, 0, 195, b"\x00", 1),
            "Record(number=1, time_ns=0, link_type=195, octets=bytes.fromhex('00'), original_length=1)",
        ),
        (
            Span(0, 8, "MAC", "a", 1, "", None),
            "Span(offset_bits=0, bits=8, layer='MAC', name='a', value=1, meaning='', cite=None)",
        ),
        (Datagram(bytes(40)), f"Datagram(octets=<40 octets, {'00' * 16}...>, checksum_elided=False)"),
    ],
    ids=lambda value: type(value).__name__,
)  # fmt: skip
def test_what_a_value_shows(value: object, shown: str) -> None:
    assert repr(value) == shown


def test_an_address_in_a_value_can_be_given_again_as_it_is_shown() -> None:
    """An ``Env`` takes link addresses as such text."""
    assert Env("0x0012", "02:00:5e:10:00:00:00:01") == Env(SHORT, EUI)
    assert repr(Env(SHORT, EUI)).startswith(
        "Env(source='0x0012', destination='02:00:5e:10:00:00:00:01', "
    )


def values(result: Any) -> Iterator[Any]:
    """Yield all values of public classes in a result, each once."""
    waiting, seen = [result], {}
    while waiting:
        one = waiting.pop()
        if isinstance(one, DEFINITIONS) or id(one) in seen:
            continue
        seen[id(one)] = one
        if type(one).__module__.startswith("lowpanbudget") and not isinstance(one, LowpanError):
            yield one
        waiting += [item for _, item in inside(one) if type(item) not in BARE]


@pytest.mark.parametrize(
    "name",
    [
        "frames of all vectors", "captures", "events", "budgets", "fits", "networks", "converted", "what is prepared",
        "reviewed", "CoAP", "DTLS", "OSCORE", "GHC",
    ],
)  # fmt: skip
@pytest.mark.usefixtures("played_once")
def test_a_value_is_shown_in_a_few_lines_of_a_terminal(name: str) -> None:
    """2500 characters are 21 lines of 120; no octet is escaped but of what only stands in for octets or code."""
    result = RESULTS[name]()
    shown: dict[type, str] = {}
    for one in values(tuple(result) if isinstance(result, list) else result):
        if not isinstance(one, bytes | dict):
            shown[type(one)] = max(repr(one), shown.get(type(one), ""), key=len)
    assert {kind.__name__: len(text) for kind, text in shown.items() if len(text) > 2500} == {}
    assert {kind.__name__ for kind, text in shown.items() if "\\x" in text or "\n" in text} == set()
    assert {kind.__name__ for kind, text in shown.items() if " at 0x" in text} == set()


def test_every_public_class_shows_itself() -> None:
    """Python's default is a place in memory; a named tuple's shows what may be long as a whole."""
    for name in lowpanbudget.__all__:
        kind: Any = getattr(lowpanbudget, name)
        if not isinstance(kind, type) or getattr(kind, "_is_protocol", False):
            continue
        assert not repr(kind.__repr__).startswith("<slot wrapper '__repr__' of 'object'"), name
        if getattr(kind.__repr__, "__module__", "") == "collections":
            types = [str(one) for one in kind.__annotations__.values()]
            assert not any("bytes" in one or "Any" in one or "..." in one for one in types), name


def test_what_works_shows_how_far_it_is() -> None:
    assert repr(Reassembler(timeout_s=5)) == "Reassembler(timeout_s=5, held=0)"
    assert repr(Reader(bytes(40), 3, layer="IPHC")) == (
        f"Reader(layer='IPHC', pos=3, end=40, data=<40 octets, {'00' * 16}...>)"
    )
    writer = Writer("UDP")
    writer.octets(bytes(99), "a")
    assert repr(writer) == f"Writer(layer='UDP', data=<99 octets, {'00' * 16}...>)"
    shrinker = Shrinker(ARCHIVE, unprotected=True)
    assert repr(shrinker).startswith("Shrinker(counters=Counters(sequence=0, ")


def test_addresses_of_what_was_measured_are_text() -> None:
    measured = measure(EXAMPLES / "footbridge.pcap", design=FOOTBRIDGE)
    (link, *_), (node, *_) = measured.links, measured.nodes
    assert repr(link).startswith(f"MeasuredLink(sender='{link.sender.hex(':')}', receiver='02:5e:")
    assert repr(node).startswith(f"MeasuredNode(node='{node.node.hex(':')}', frames=")
    learned = Device(1, 2, EUI, "how")
    assert repr(learned) == f"Device(pan=1, short=2, eui64='{EUI.hex(':')}', how='how')"
    assert f"{{1: '{EUI.hex(':')}'}}" in repr(Decoder(devices={1: EUI}))
    series = survey(EXAMPLES / "archive.pcap", every="1 min").series
    assert "{(29166666, 11329, '0x0000'): Activity(frames=1, " in repr(series)


def test_a_value_of_many_attributes_shows_the_first() -> None:
    design = repr(ARCHIVE)
    assert design.startswith("Design(title='Saltmoor records archive, climate', link=Link(phy=")
    assert design.endswith(", ... 18 in all)")
    assert f"prefix=0x{0x20010DB8A2C4 << 80:x}" in design


def test_no_key_is_shown_whole_or_in_part() -> None:
    octets = encode_frame(
        air.mac_of(EUI, SHORT, security=Security(5, 1, 0, None, 1)), b"A", key=air.KEY
    )
    for one in (Key(air.KEY), RecordKeys(air.KEY, bytes(12)), Decoder(keys=air.KEY), octets):
        assert air.KEY.hex()[:12] not in repr(one)
        assert repr(air.KEY)[2:-1][:12] not in repr(one)
