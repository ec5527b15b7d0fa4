"""What follows from the headers of a datagram alone, header by header."""

from typing import Any

import pytest
from findings import air

from lowpanbudget import Iphc, Udp, decode_frame
from lowpanbudget.bits import Reader
from lowpanbudget.env import Contexts
from lowpanbudget.findings.heard_headers import HeardHeaders
from lowpanbudget.layers.internet.chain import ChainPlace
from lowpanbudget.layers.internet.dtls import record
from lowpanbudget.layers.internet.ipv6 import Ipv6

SOURCE, NEXT, FINAL = (air.address(air.PREFIX, link) for link in (air.NODE, b"\0\x0a", air.ROOT))
UDP_PLACE = ChainPlace(17, 48, SOURCE, FINAL)
UDP = Udp(0xF0B1, 0xF0B2, 12, 0x1234)
# RFC 6347 section 4.1: application data of DTLS 1.2
RECORD = record.decode(Reader(bytes.fromhex("17 fefd 0001 000000000005 0004 01020304")))


def heard(**known: Any) -> HeardHeaders:
    """Headers of a datagram that a node sends itself, on its first hop, unless told otherwise."""
    usual: dict[str, Any] = {
        "header": Ipv6(0, 0, 20, 17, 64, SOURCE, NEXT),
        "layers": (UDP,),
        "iphc": None,
        "link_source": air.NODE,
        "link_destination": air.ROOT,
        "sender": air.NODE,
        "pan_id": air.PAN,
        "contexts": Contexts(),
        "upper": UDP_PLACE,
    }
    return HeardHeaders(**usual | known)


def test_whom_it_is_for_in_the_end() -> None:
    """RFC 8200 section 4.4: the header names the next node of a route, and the route its last one."""
    assert heard().destination == FINAL
    assert heard(upper=None).destination == NEXT
    assert heard().ends == (int(SOURCE), int(FINAL))


@pytest.mark.parametrize(
    ("known", "ports"),
    [
        ({}, (0xF0B1, 0xF0B2)),
        ({"upper": None}, None),
        ({"upper": ChainPlace(58, 48, SOURCE, FINAL)}, None),
        ({"layers": ()}, None),  # it could not be read
    ],
)
def test_its_ports(known: dict[str, Any], ports: tuple[int, int] | None) -> None:
    assert heard(**known).ports == ports


def test_its_records() -> None:
    assert heard(layers=(UDP, RECORD)).has_records is True
    assert heard().has_records is False


@pytest.mark.parametrize(
    ("known", "goes_on"),
    [
        ({}, True),
        ({"link_source": None}, False),
        ({"upper": None}, False),
        ({"upper": UDP_PLACE._replace(hidden=True)}, False),
        # for all on this link (IEEE 802.15.4: ffff), but for a mesh below IPv6 (RFC 4944 section 11.1)
        ({"link_destination": b"\xff\xff"}, False),
        ({"link_destination": b"\xff\xff", "mesh_left": 3}, True),
        ({"mesh_left": 3}, True),
        ({"link_destination": b"\xff\xff", "mesh_left": 3, "link_source": None}, False),
    ],
)
def test_what_may_be_known_again_where_it_goes_on(known: dict[str, Any], *, goes_on: bool) -> None:
    assert heard(**known).may_go_on is goes_on


def test_of_whom_its_source_is_made() -> None:
    """RFC 6282 section 3.2.2: 0000:00ff:fe00 and the short address."""
    own = heard()
    assert own.is_of_link is own.is_of_sender is True
    # a mesh header names the originator (RFC 4944 section 5.2), and another sends it on this hop
    passed_on = heard(sender=air.ROOT)
    assert (passed_on.is_of_link, passed_on.is_of_sender) == (True, False)
    other = heard(link_source=air.ROOT)
    assert (other.is_of_link, other.is_of_sender) == (False, True)


def test_what_readings_of_its_checksum_hang_on() -> None:
    """How each address is carried, and under which context: both elided here, under context 0 (RFC 6282 figure 2)."""
    frame = decode_frame(air.frame(air.datagram()), contexts=air.CONTEXTS)
    packed = frame.layers[1]
    assert isinstance(packed, Iphc)
    form = heard(iphc=packed).form
    assert (form.link_source, form.source, form.destination) == (air.NODE, int(SOURCE), int(FINAL))
    assert form.carried == (0, 0, packed.contexts)
    assert form.upper == 48
    bare = heard(upper=None).form
    assert (bare.carried, bare.upper, bare.destination) == ((), 0, int(NEXT))
