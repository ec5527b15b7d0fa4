"""Fragments that are passed on one by one are followed over all links: each datagram counts once, or is lost at a hop.

What a sender sends and which frames are lost is chosen here, so that all numbers are counted by hand.
"""

from io import BytesIO
from itertools import pairwise, product

import pytest
from deployment.passed_on import CONTEXTS, WAYS, Line, line

from lowpanbudget import LostOnLink, MeasuredFlow, Measurement, measure, read_together, write_pcap

PATH = (0x17, 0x31, 0x32, 0x01)
OTHER = (0x18, 0x31, 0x32, 0x01)
LINKS = [(one.to_bytes(2, "big"), two.to_bytes(2, "big")) for one, two in pairwise(PATH)]


def measured(made: Line) -> Measurement:
    return measure(list(made.records()), contexts=CONTEXTS)


def the_flow(found: Measurement, node: int = PATH[0]) -> MeasuredFlow:
    (flow,) = [one for one in found.flows if int(one.flow.source) & 0xFFFF == node]
    return flow


def came(flow: MeasuredFlow) -> tuple[int, int]:
    """Return how many datagrams arrived, and of how many."""
    assert flow.arrived is not None
    return flow.arrived.count, flow.arrived.trials


@pytest.mark.parametrize("way", WAYS)
def test_each_datagram_counts_once_over_all_its_links(way: str) -> None:
    """Ten of four fragments over three links, each fragment 30 ms behind the one before, 41 ms behind its last link."""
    flow = the_flow(measured(line(way, [PATH])))
    assert came(flow) == (10, 10)
    assert (flow.datagrams, flow.again, flow.perhaps, flow.stopped) == (10, 0, 0, 0)
    assert (dict(flow.hops), flow.lost, flow.at_end) == ({3: 10}, (), 10)
    assert flow.took is not None
    # the last of four leaves 90 ms behind the first, and is on its last link 82 ms later
    assert flow.took.most == pytest.approx(0.172, abs=0.001)


@pytest.mark.parametrize(("way", "hop", "index"), [*product(WAYS, (0, 1, 2), (0, 1, 3))])
def test_what_is_lost_is_lost_on_its_link(way: str, hop: int, index: int) -> None:
    """Of the third and the eighth a fragment is tried four times in vain; recoverable, the eighth each time anew."""

    def lost(number: int, _node: int, on: int, part: int, attempt: int) -> bool:
        return number % 5 == 2 and (on, part) == (hop, index) and (not attempt or number == 7)

    found = measured(line(way, [PATH], lost=lost))
    flow, gone = the_flow(found), 1 if way == "recoverable" else 2
    assert came(flow) == (10 - gone, 10)
    assert (flow.datagrams, flow.perhaps) == (10, 0)
    assert flow.lost == found.lost == (LostOnLink(*LINKS[hop], gone, 0),)


@pytest.mark.parametrize("way", WAYS)
def test_two_originators_are_told_apart_under_one_tag(way: str) -> None:
    """Routers choose the tag of a hop; in a mesh that of the originator stays, and both have chosen the same."""

    def tag(number: int, node: int, hop: int) -> int:
        return number + (node + hop if hop and way != "mesh" else 0)

    def lost(number: int, node: int, hop: int, index: int, _attempt: int) -> bool:
        return (node, hop, index) == (OTHER[0], 1, 2) and number in (3, 4)

    found = measured(line(way, [PATH, OTHER], tag=tag, lost=lost))
    assert [came(the_flow(found, node)) for node in (PATH[0], OTHER[0])] == [(10, 10), (8, 10)]
    assert found.lost == (LostOnLink(*LINKS[1], 2, 0),)


@pytest.mark.parametrize(("way", "every_s"), [*product(WAYS, (1.0, 60.0))])
def test_a_tag_may_be_used_again(way: str, every_s: float) -> None:
    found = measured(line(way, [PATH], every_s=every_s, tag=lambda *_: 9))
    assert came(the_flow(found)) == (10, 10)
    assert not found.lost


@pytest.mark.parametrize("order", [(0, 2, 1, 3), (0, 3, 2, 1)])
@pytest.mark.parametrize("way", WAYS)
def test_fragments_may_overtake_each_other(way: str, order: tuple[int, ...]) -> None:
    assert came(the_flow(measured(line(way, [PATH], order=order)))) == (10, 10)


@pytest.mark.parametrize("way", WAYS)
def test_a_link_in_between_need_not_be_heard(way: str) -> None:
    made = line(way, [PATH])
    records = made.records(lambda link: set(link) != {PATH[1], PATH[2]})
    flow = the_flow(measure(list(records), contexts=CONTEXTS))
    assert came(flow) == (10, 10)
    assert dict(flow.hops) == {3: 10}


@pytest.mark.parametrize("way", WAYS)
def test_several_receivers_hear_parts_of_the_way(way: str) -> None:
    """One hears what the first two nodes send, the other all but what the first does: most frames come twice."""

    def lost(number: int, _node: int, hop: int, index: int, _attempt: int) -> bool:
        return (number, hop, index) == (4, 2, 1)

    made, files = line(way, [PATH], lost=lost), []
    for hears in ({PATH[0], PATH[1]}, {PATH[1], PATH[2], PATH[3]}):
        file = BytesIO()
        write_pcap(file, made.records(lambda link, hears=hears: link[0] in hears), 195)  # type: ignore[misc]
        file.seek(0)
        files.append(file)
    found = measure(read_together(files), contexts=CONTEXTS)
    assert came(the_flow(found)) == (9, 10)
    assert found.lost == (LostOnLink(*LINKS[2], 1, 0),)


def test_fragments_may_go_different_ways_in_a_mesh() -> None:
    """The first two of each datagram go over 0x31, the others over 0x41 and 0x42, one hop further round."""
    made = Line("mesh")
    around = (PATH[0], 0x41, 0x42, 0x43, PATH[-1])
    for path, order in ((PATH, (0, 1)), (around, (2, 3))):
        made.order = order
        for number in range(10):
            made.datagram(1.0 + 60.0 * number + 0.06 * (path is around), number, path)
    flow = the_flow(measured(made.run()))
    assert came(flow) == (10, 10)
    assert flow.datagrams == 10


@pytest.mark.parametrize("way", WAYS)
def test_what_a_relay_keeps_is_told_as_taken(way: str) -> None:
    """0x31 acknowledges the second fragment of the fifth datagram and never sends it on; the same each time anew."""

    def kept(number: int, _node: int, hop: int, index: int, _attempt: int) -> bool:
        return (number, hop, index) == (4, 0, 1)

    found = measured(line(way, [PATH], kept=kept))
    assert came(the_flow(found)) == (9, 10)
    assert found.lost == (LostOnLink(*LINKS[0], 1, 1),)


@pytest.mark.parametrize("way", WAYS)
def test_not_all_of_a_link_need_be_heard_to_tell_what_was_lost_there(way: str) -> None:
    """The second fragment of the fifth is tried in vain by 0x31 each time, whose last one is not heard."""

    def lost(number: int, _node: int, hop: int, index: int, _attempt: int) -> bool:
        return (number, hop, index) == (4, 1, 1)

    made = line(way, [PATH], lost=lost)
    by_relay = [one for one in made.heard if one[2] == PATH[1:3] and 241 < one[0] < 241.3]
    made.heard = [one for one in made.heard if one is not by_relay[-1]]
    found = measured(made)
    assert came(the_flow(found)) == (9, 10)
    assert found.lost == (LostOnLink(*LINKS[1], 1, 0),)
