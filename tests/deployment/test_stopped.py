"""Datagrams whose fragments stop were sent and did not arrive, unless this receiver may have missed the rest.

RFC 4944 section 5.3: a datagram of which a fragment is missing is not delivered. Each case counts by hand: 20 datagrams
of 300 octets of data, four frames each, one a minute; of every fifth the second fragment is tried four times in vain,
and no more of it comes.
"""

from collections.abc import Iterator, Sequence
from typing import cast

import pytest
from findings import air
from findings.air import CONTEXTS, NODE, ROOT, Capture
from findings.cases_fragments import acknowledged, pausing

from lowpanbudget import Env, MeasuredFlow, audit, measure, parse_design, split
from lowpanbudget.capture.crossings import Crossing
from lowpanbudget.capture.follow.flows import FlowKey
from lowpanbudget.deployment.flows_seen import FlowJourneys
from lowpanbudget.deployment.journeys import Journey, Tries
from lowpanbudget.deployment.measured import PlanNumber, PlanVerdict
from lowpanbudget.deployment.stopped_seen import BegunDatagram, StoppedSeen, with_stopped

DESIGN = """
title = "Cold store"
[link]
phy = "o-qpsk-2450"
addresses = "short"
pan_id = 0xabcd
[[context]]
id = 0
prefix = "2001:db8:1::/64"
[[station]]
name = "probe"
role = "node"
short = 0x0017
prefix = "2001:db8:1::/64"
[[station]]
name = "root"
role = "collector"
short = 0x0001
prefix = "2001:db8:1::/64"
[[flow]]
name = "pictures"
source = "probe"
destination = "root"
source_port = 0xf0b1
destination_port = 0xf0b2
messages = ["picture"]
every_s = 60
[limits]
delivery = 0.95
[access]
method = "csma"
[[message]]
name = "picture"
byte_order = "big"
bit_order = "msb-first"
layout = "bit-packed"
field = [{fields}]
"""
UNCOUNTED = DESIGN.format(fields='{ kind = "octets", name = "picture", length = 300 }')
COUNTED = DESIGN.format(
    fields='{ kind = "sequence", name = "n", bits = 8 }, { kind = "octets", name = "picture", length = 299 }'
)
MESSAGES, STOPPED, STEP_S = 20, (2, 7, 12, 17), 60.0
Timed = list[bytes | tuple[float, bytes]]


def packet(number: int, links: tuple[bytes, bytes] = (NODE, ROOT)) -> bytes:
    return air.datagram(bytes([number]) + bytes(299), links=links)


def sent(
    *,
    answered: bool = True,
    missed: Sequence[int] = (),
    gives_up: bool = True,
    goes_on: bool = False,
    last: int = MESSAGES,
) -> Iterator[tuple[float, bytes]]:
    """The frames of all datagrams; behind ``missed`` ones a number is missing, of those that ``gives_up`` none.

    A sender ``goes_on`` with the rest where the second fragment was tried in vain.
    """
    sequence = 0
    for number in range(last):
        start = STEP_S * number
        parts = air.pieces(packet(number), tag=number + 1, start=0)
        for index, part in enumerate(parts):
            stops = number in STOPPED and (index == 1 or (index > 1 and not goes_on))
            if stops and index > 1:
                break
            sequence += 1
            octets = air.mended(part[:2] + bytes([sequence & 0xFF]) + part[3:])
            for again in range(4 if stops and gives_up else 1):
                yield start + 0.02 * index + 0.004 * again, octets
            if answered and not stops:
                yield start + 0.02 * index + 0.001, air.mended(bytes([2, 0, sequence & 0xFF, 0, 0]))
        sequence += 2 * (number in missed)


def the_flow(capture: Capture, design: str = UNCOUNTED) -> MeasuredFlow:
    (flow,) = measure(list(capture.records()), design=parse_design(design), fcs=2).flows
    return flow


@pytest.mark.parametrize(
    ("how", "arrived", "perhaps"),
    [
        ({}, 16, 0),
        # nobody is heard to acknowledge: what was heard whole counts as arrived, and the rest may have gone on unheard
        ({"answered": False}, 16, 4),
        # two frame numbers are missing behind each: they may have brought the rest
        ({"missed": STOPPED}, 16, 4),
        # two are missing behind one alone
        ({"missed": STOPPED[:1]}, 16, 2),
        # the last one is the last that is heard of its sender, a minute before the capture ends with a beacon
        ({"last": STOPPED[-1] + 1}, 14, 1),
    ],
    ids=["certain", "no acknowledgements", "all missed", "one missed", "the last"],
)
def test_what_stops_was_sent_and_did_not_arrive(
    how: dict[str, object], arrived: int, perhaps: int
) -> None:
    frames: Timed = [*sent(**how)]  # type: ignore[arg-type]
    frames.append((3600.0, air.mended(bytes([2, 0, 255, 0, 0]))))
    flow = the_flow(Capture(frames))
    assert flow.arrived is not None
    assert (flow.arrived.count, flow.perhaps) == (arrived, perhaps)
    assert flow.arrived.trials == flow.datagrams == how.get("last", MESSAGES)
    assert flow.stopped == 4
    assert flow.interval is not None
    assert (flow.interval.least, flow.interval.most) == (STEP_S, STEP_S)


@pytest.mark.parametrize(("gives_up", "perhaps"), [(True, 0), (False, 4)])
def test_what_was_heard_whole_arrived_only_where_each_fragment_came(
    gives_up: bool, perhaps: int
) -> None:
    """The rest follows and is acknowledged: this receiver heard all, theirs the second fragment of four never.

    After one try alone its acknowledgement may have been missed here.
    """
    capture = Capture([*sent(goes_on=True, gives_up=gives_up)])
    flow = the_flow(capture)
    assert flow.arrived is not None
    assert (flow.arrived.count, flow.arrived.trials) == (16, MESSAGES)
    assert (flow.perhaps, flow.stopped) == (perhaps, 0)
    assert flow.took is not None
    assert flow.took.values == 16
    counted = the_flow(capture, COUNTED).arrived
    assert counted is not None
    assert (counted.count, counted.trials) == (14, 18)


def test_a_loss_of_fragments_is_outside_of_the_plan() -> None:
    records = list(Capture([*sent()]).records())
    planned = parse_design(UNCOUNTED)
    (check,) = (
        one
        for one in measure(records, design=planned, fcs=2).checks
        if one.what is PlanNumber.DELIVERY
    )
    assert check.verdict is PlanVerdict.OUTSIDE
    assert check.why.startswith("16 of 20 arrived")
    assert "loss-over-plan" in {one.name for one in audit(records, design=planned, fcs=2).findings}


def test_a_message_that_counts_itself_is_counted_once() -> None:
    """Numbers 0 to 19: the first and the last are left out, and four of the others did not arrive."""
    flow = the_flow(Capture([*sent()]), COUNTED)
    assert flow.arrived is not None
    assert flow.heard is not None
    assert (flow.arrived.count, flow.arrived.trials, flow.sent) == (14, 18, 20)
    assert (flow.heard.count, flow.unsent, flow.stopped) == (18, 0, 4)


def begun_only(
    whole: Sequence[int], begun: Sequence[int], last: int
) -> Iterator[tuple[float, bytes]]:
    """One datagram a minute up to ``last``: these heard ``whole``, of those that were ``begun`` the first frame alone.

    The others, and the rest of these, go unheard: all four frames of each datagram have their numbers.
    """
    sequence = 0
    for number in range(last):
        for index, part in enumerate(air.pieces(packet(number), tag=number + 1, start=0)):
            sequence += 1
            if number in whole or (number in begun and index == 0):
                yield (
                    STEP_S * number + 0.02 * index,
                    air.mended(part[:2] + bytes([sequence & 0xFF]) + part[3:]),
                )


def interval_of(frames: Iterator[tuple[float, bytes]]) -> tuple[PlanVerdict, str, set[str]]:
    """What is said of the interval, and what an audit finds."""
    planned = parse_design(COUNTED)
    records = list(Capture([*frames]).records())
    checks = measure(records, design=planned, fcs=2).checks
    (check,) = (one for one in checks if one.what is PlanNumber.INTERVAL)
    found = {one.name for one in audit(records, design=planned, fcs=2).findings}
    return check.verdict, check.why, found


def test_messages_of_which_the_first_fragment_alone_was_heard_came_to_the_end() -> None:
    """Twenty whole, then half an hour of first fragments each third minute: their sender goes on."""
    verdict, why, found = interval_of(begun_only(range(20), range(20, 51, 3), 51))
    assert verdict is PlanVerdict.WITHIN, why
    assert "flow-stopped" not in found


def test_a_sender_that_pauses_and_begins_again_was_silent_between() -> None:
    """Twenty whole, then nothing for a quarter of an hour, in which its frame numbers say that nothing was sent."""
    frames = [*begun_only(range(20), (), 20)]
    part = air.pieces(packet(20), tag=21, start=0)[0]
    frames.append((2040.0, air.mended(part[:2] + bytes([81]) + part[3:])))
    frames.append((2140.0, air.mended(bytes([2, 0, 255, 0, 0]))))
    verdict, why, _ = interval_of(iter(frames))
    assert verdict is PlanVerdict.OUTSIDE
    assert "none was heard for 15.0 minutes of 35.7 minutes" in why


def test_what_was_not_whole_has_the_number_that_its_time_tells() -> None:
    """Of the numbers 10 to 13, which were not heard, the first fragment at minute 12 is 12."""
    capture = Capture([*begun_only([*range(10), *range(14, 20)], [12], 20)])
    interval = the_flow(capture, COUNTED).interval
    assert interval is not None
    assert (interval.least, interval.most) == pytest.approx((STEP_S, STEP_S))


def test_a_late_copy_of_a_first_fragment_is_no_datagram_that_stopped() -> None:
    """The first frame once more, ten seconds later and under another number, and answered."""
    frames: Timed = [*sent(last=1)]
    assert isinstance(frames[0], tuple)
    copy = air.mended(frames[0][1][:2] + b"\x20" + frames[0][1][3:])
    frames += [(10.0, copy), (10.001, air.mended(bytes([2, 0, 0x20, 0, 0])))]
    frames += [
        (200.0, air.frame(air.datagram(), 0x21)),
        (200.001, air.mended(bytes([2, 0, 0x21, 0, 0]))),
    ]
    flow = next(
        one
        for one in measure(list(Capture(frames).records()), contexts=CONTEXTS, fcs=2).flows
        if one.arrived is not None
    )
    assert flow.arrived is not None
    assert (flow.arrived.count, flow.arrived.trials, flow.stopped) == (2, 2, 0)


def test_what_was_missed_on_its_first_link_counts_where_it_came_further() -> None:
    """Of one datagram over two hops the second fragment was not heard on the first: one left, and one arrived."""
    middle = b"\x00\x05"
    whole = packet(1)
    frames: Timed = []
    for hop, (links, limit) in enumerate((((NODE, middle), 64), ((middle, ROOT), 63))):
        octets = whole[:7] + bytes([limit]) + whole[8:]
        for index, part in enumerate(air.pieces(octets, links, tag=9 + hop, start=1)):
            if (hop, index) != (0, 1):
                at = 1 + hop + index / 50
                frames += [(at, part), (at + 0.001, air.mended(bytes([2, 0, index + 1, 0, 0])))]
    frames.append((200.0, air.mended(bytes([2, 0, 255, 0, 0]))))
    (flow,) = measure(list(Capture(frames).records()), contexts=CONTEXTS, fcs=2).flows
    assert flow.arrived is not None
    assert (flow.datagrams, flow.arrived.count, flow.arrived.trials, flow.stopped) == (1, 1, 1, 0)


def test_what_began_without_a_tunnel_counts_where_it_came_further_in_one() -> None:
    """Who makes a tunnel lowers 64 to 63 inside, and begins with 64 outside (RFC 2473 section 3.1)."""
    key = FlowKey(air.address(air.PREFIX, NODE), air.address(air.PREFIX, ROOT), 17, *air.PORTS)
    began = Journey(Crossing(key, 0, 64, True, False, 300, (1,)), 0, 1, is_stopped=True)
    began.left = Tries(NODE, ROOT, 0, 0, 100, asks=True, sequence=1)
    inside = Crossing(key, 7, 64, False, True, 300, (2,), inner_limit=63)
    later = Journey(inside, 10**9, 2, at_end=True)
    ((group,), unsettled) = with_stopped(
        [FlowJourneys(key, None, [later], [True], None, 0)], [began]
    )
    assert (group.journeys, later.left, unsettled) == ([later], began.left, 0)


def test_what_a_mesh_passes_on_in_part_did_not_leave_there() -> None:
    """Hops Left stand before each fragment (RFC 4944 section 5): the originator's own frames, with 5, are not heard."""
    relay = b"\x00\x18"
    frames: Timed = []
    for number in range(10):
        parts = split(packet(number), Env(NODE, ROOT, contexts=CONTEXTS), room=90, tag=number + 1)
        for index, part in enumerate(parts[:1] if number % 5 == 4 else parts):
            meshed = bytes([0b1011_0000 | 4]) + NODE + ROOT + part
            octets = air.raw(meshed, 5 * number + index, (relay, ROOT))
            frames.append((STEP_S * number + 0.02 * index, octets))
    flow = the_flow(Capture(frames))
    assert (flow.datagrams, flow.stopped, flow.arrived) == (8, 0, None)


def test_what_comes_too_late_was_sent_once_and_did_not_arrive() -> None:
    """Three datagrams whose last two fragments come 70 s after the first, and one in a frame, acknowledged.

    RFC 4944 section 5.3: after 60 s at most "the existing fragments MUST be discarded".
    """
    frames: Timed = [
        *pausing(0, 1, 70, 70.1).timed(),
        (1600.001, air.mended(bytes([2, 0, 99, 0, 0]))),
    ]
    (flow,) = measure(list(Capture(frames).records()), contexts=CONTEXTS, fcs=2).flows
    assert flow.arrived is not None
    assert (flow.arrived.count, flow.arrived.trials, flow.perhaps, flow.stopped) == (1, 4, 0, 3)


def test_what_may_be_of_several_messages_is_counted_for_none() -> None:
    """Pictures of 300 octets and notes of 20 came; one of 250, which is neither, stops behind its first fragment."""
    note = """[[message]]
name = "note"
byte_order = "big"
bit_order = "msb-first"
layout = "bit-packed"
field = [{ kind = "octets", name = "note", length = 20 }]
"""
    planned = parse_design(UNCOUNTED.replace('["picture"]', '["picture", "note"]') + note)
    stops, *_ = air.pieces(air.datagram(bytes(250)), tag=9, start=9)
    frames: Timed = [
        *((1 + n / 50, part) for n, part in enumerate(air.pieces(packet(1)))),
        (2.0, air.frame(air.datagram(bytes(20)), 5)),
        (3.0, stops),
        (200.0, air.mended(bytes([2, 0, 255, 0, 0]))),
    ]
    found = measure(list(Capture(frames).records()), design=planned, fcs=2)
    assert {(flow.message, flow.datagrams, flow.stopped) for flow in found.flows} == {
        ("picture", 1, 0),
        ("note", 1, 0),
    }
    assert any(
        one.startswith("1 datagram in fragments did not come whole") for one in found.unknown
    )


@pytest.mark.parametrize("aborted", [False, True])
def test_recoverable_fragments_stop_as_well(aborted: bool) -> None:
    """RFC 8931: the last of three never comes, or the receiver gives up with a NULL bitmap; one more frame arrives."""
    first, second, _, *back, last = acknowledged(0).timed()
    frames: Timed = [first, second, *(back if aborted else ()), last]
    frames.append((90.001, air.mended(bytes([2, 0, 99, 0, 0]))))
    (flow,) = measure(list(Capture(frames).records()), contexts=CONTEXTS, fcs=2).flows
    assert flow.arrived is not None
    assert (flow.arrived.count, flow.arrived.trials, flow.perhaps, flow.stopped) == (1, 2, 0, 1)


def test_no_more_of_them_are_kept_than_said() -> None:
    class Ended:
        def __init__(self, left: object) -> None:
            self.left = left

        def journey(self) -> object:
            return self

    stopped = StoppedSeen(2)
    for _ in range(5):
        stopped.end(cast("BegunDatagram", Ended(object())))
        stopped.end(cast("BegunDatagram", Ended(None)))
    assert stopped.beyond == 3
    assert len(stopped.further) == 2
