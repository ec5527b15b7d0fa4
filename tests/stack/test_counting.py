"""Fragments whose sender counts a source route in another form than whole addresses (RFC 8138 leaves it open)."""

import pytest
from findings import air
from findings.cases_fragments import route_counted, routed_packet

from lowpanbudget import Reassembler, decode_frame
from lowpanbudget.layers.lowpan.lorh import IpInIp, Rpi, SrhLorh
from lowpanbudget.stack.counting import most_added
from lowpanbudget.stack.events import Complete, Discarded


def events_of(less: int, last: int) -> list[object]:
    reassembler = Reassembler()
    events: list[object] = []
    for octets in route_counted(less, last=last).air:
        assert isinstance(octets, bytes)
        events += reassembler.feed(decode_frame(octets, contexts=air.CONTEXTS))
    assert reassembler.held == (0 if isinstance(events[-1], Complete) else 96)
    return events


# two addresses: 8 + 32 octets whole; 8 + 4 filled up to 16 where each leaves out 14 (RFC 6554 section 3); or none
@pytest.mark.parametrize("less", [0, 24, 40])
@pytest.mark.parametrize("last", [96, 48])
def test_the_datagram_is_whole_in_each_form(less: int, last: int) -> None:
    (whole,) = events_of(less, last)
    assert isinstance(whole, Complete)
    # with the lengths of IPv6 and UDP that it was sent with
    assert whole.datagram.octets == routed_packet()
    assert whole.fragments == 1 + 96 // last


@pytest.mark.parametrize("less", [8, 16, 32])
def test_no_form_has_these_octets(less: int) -> None:
    discarded, *_ = events_of(less, 96)
    assert isinstance(discarded, Discarded)
    assert "overlaps another with a different extent" in discarded.reason


def test_what_rpl_added_at_most() -> None:
    """An RPL option of 8 octets (RFC 6553), an outer header of 40, and 8 and 16 for each hop of a route (RFC 6554)."""
    route = SrhLorh((b"\0\1", b"\0\2"))
    assert most_added([Rpi()]) == 8
    assert most_added([Rpi(), IpInIp(64)]) == 8 + 40
    assert most_added([route, Rpi(), IpInIp(64)]) == 8 + 2 * 16 + 8 + 40
