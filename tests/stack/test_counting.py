"""Fragments whose sender counts a source route in another form than whole addresses (RFC 8138 leaves it open)."""

import pytest
from findings import air
from findings.cases_fragments import route_counted, routed_packet

from lowpanbudget import Reassembler, decode_frame
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
