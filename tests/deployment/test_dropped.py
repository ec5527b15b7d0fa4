"""What cannot arrive is not counted as arrived: hop limits that end on the way, checksums that receivers refuse."""

import pytest
from deployment.test_seen import NOBODY_MISSED, Channel, crossing, seen_flow
from findings import air
from findings.cases_application import DATA, DESIGN, SMALL

from lowpanbudget import Measurement, audit, measure
from lowpanbudget.deployment.flows_seen import flow_seen
from lowpanbudget.deployment.measured import PlanNumber, PlanVerdict
from lowpanbudget.deployment.unknowns import unknowns
from lowpanbudget.report.measure_answer import flow_words
from lowpanbudget.report.measurements import flows as flow_data
from lowpanbudget.report.measurements import measured

PLAN = air.design(
    DESIGN.format(link="").replace("[[context]]", "[limits]\ndelivery = 0.9\n[[context]]", 1)
)
RELAY, OTHER = b"\0\x55", b"\0\x66"
COUNT = 30
TITLE = "reading from 2001:db8:1::ff:fe00:17"


def of_frames(*sent: tuple[bytes, tuple[bytes, bytes]]) -> air.Capture:
    """Datagrams on links, a minute between two that one sends."""
    frames = [
        (1.0 + 60 * at + 0.1 * index, air.frame(packet, at, links))
        for at in range(COUNT)
        for index, (packet, links) in enumerate(sent)
    ]
    return air.Capture([*frames], SMALL, PLAN)


def seen(capture: air.Capture) -> Measurement:
    return measure(list(capture.records()), contexts=SMALL, design=PLAN)


def with_sum(checksum: int | None) -> bytes:
    source, to = air.address(air.PREFIX, air.NODE), air.address(air.PREFIX, air.ROOT)
    return air.ip(source, to, 17, air.udp(DATA, source, to, checksum=checksum))


def delivery(found: Measurement) -> tuple[PlanVerdict, str]:
    (check,) = [
        one for one in found.checks if one.what is PlanNumber.DELIVERY and one.subject == TITLE
    ]
    return check.verdict, check.why.rpartition("; ")[2]


def test_a_hop_limit_that_ends_on_the_way_is_a_loss() -> None:
    """ "discarded if Hop Limit was zero when received or is decremented to zero" (RFC 8200 section 3)."""
    capture = of_frames((air.datagram(DATA, hop_limit=1), (air.NODE, RELAY)))
    found = seen(capture)
    (flow,) = found.flows
    assert flow.arrived is not None
    assert (flow.arrived.count, flow.arrived.trials, flow.perhaps, flow.run_out) == (
        0,
        COUNT,
        0,
        COUNT,
    )
    why = f"{COUNT} whose hops end on the way"
    assert delivery(found) == (PlanVerdict.OUTSIDE, why)
    told = flow_words(measured("store.pcap", found)["flows"])
    assert told.endswith(f"Cannot arrive: {why} of {TITLE}.")
    # one cause, one finding
    names = {
        one.name for one in audit(list(capture.records()), contexts=SMALL, design=PLAN).findings
    }
    assert "hop-limit-runs-out" in names
    assert "loss-over-plan" not in names


@pytest.mark.parametrize("sent", [(2, RELAY), (1, air.ROOT)])
def test_a_hop_limit_that_is_enough_is_none(sent: tuple[int, bytes]) -> None:
    """The next link is not heard here; or there is none."""
    limit, to = sent
    (flow,) = seen(of_frames((air.datagram(DATA, hop_limit=limit), (air.NODE, to)))).flows
    assert flow.run_out == 0
    assert flow.dropped == ""
    assert (flow.arrived is None) == (to == RELAY)


def test_a_wrong_checksum_is_a_loss() -> None:
    """ "IPv6 receivers must discard UDP packets containing a zero checksum", and wrong ones (RFC 8200 section 8.1)."""
    right = air.datagram(DATA, air.PREFIX, (OTHER, air.ROOT)), (OTHER, air.ROOT)
    found = seen(of_frames((with_sum(0x1234), (air.NODE, air.ROOT)), right))
    flows = {flow.title: flow for flow in found.flows}
    arrived = flows[TITLE].arrived
    assert arrived is not None
    assert (arrived.count, arrived.trials, flows[TITLE].perhaps) == (0, COUNT, 0)
    why = f"{COUNT} with a wrong checksum, which receivers drop"
    assert delivery(found) == (PlanVerdict.OUTSIDE, why)
    (other,) = [one for title, one in flows.items() if title != TITLE]
    assert other.arrived is not None
    assert (other.arrived.count, other.sum_wrong) == (COUNT, 0)


def test_where_all_checksums_are_wrong_nobody_knows() -> None:
    """The prefix that is given here may be the wrong one."""
    found = seen(of_frames((with_sum(0x1234), (air.NODE, air.ROOT))))
    (flow,) = found.flows
    assert (flow.sum_wrong, flow.perhaps) == (COUNT, COUNT)
    assert delivery(found)[0] is PlanVerdict.OPEN


def test_a_right_checksum_arrives() -> None:
    (flow,) = seen(of_frames((with_sum(None), (air.NODE, air.ROOT)))).flows
    assert flow.arrived is not None
    assert (flow.arrived.count, flow.dropped) == (COUNT, "")


@pytest.mark.parametrize(
    ("tries", "known"), [((4,) * 5, True), ((4,) * 4, False), ((4, 4, 4, 4, 3), False)]
)
def test_a_link_whose_frames_all_use_up_their_tries_is_judged(
    tries: tuple[int, ...], known: bool
) -> None:
    """Of four tries (three retries) nobody stops before the last; one that does had its acknowledgement elsewhere."""
    channel = Channel()
    for at, times in enumerate(tries):
        first: int | None = None
        for again in range(times):
            mark = crossing(1, at) if first is None else None
            said = channel.hear(at + again / 100, 1, 0, mark, answered_s=None, repeats=first)
            first = said if first is None else first
    (link,) = channel.links.links(channel.ways.answering)
    assert link.tries == sum(tries)
    if not known:
        assert (link.answered, link.unanswered) == (None, None)
        return
    assert link.answered is not None
    assert link.ended is not None
    assert (link.answered.count, link.answered.trials, link.unanswered) == (0, 20, 5)
    assert (link.ended.count, link.perhaps) == (0, 0)


@pytest.mark.parametrize(
    ("numbers", "stuck"),
    [((1, 7, 7, 7, 7), (4, 7)), ((7, 7, 7, 8, 8), (0, None)), ((1, 2, 3, 4, 5), (0, None))],
)
def test_a_number_that_stands_still_is_told(
    numbers: tuple[int, ...], stuck: tuple[int, int | None]
) -> None:
    channel = Channel()
    for at, own in enumerate(numbers):
        channel.hear(100.0 * at, 1, 0, crossing(1, at, own=own))
    flow = flow_seen(channel.group(), NOBODY_MISSED)
    assert (flow.stuck, flow.stuck_at) == stuck
    told = unknowns(None, (flow,), (), (), timed=True, receivers=1, unread={}, beyond=0)
    assert any("stands still at 7, in 4 messages" in one for one in told) == bool(stuck[0])


def test_messages_that_are_sent_again_as_new_are_told() -> None:
    often, seldom = (
        flow_words(flow_data([seen_flow(datagrams=10, again=again)])) for again in (10, 1)
    )
    assert (
        "Sent again in frames of another number, which takes air: 10 of reading from 2001:db8::1 10 times."
        in often
    )
    assert "again" not in seldom


@pytest.mark.parametrize("hears", [True, False])
def test_a_link_that_is_never_acknowledged_is_told_once(hears: bool) -> None:
    """Eight frames of four tries each, by a plan of three retries: measure judges the link, an audit says why.

    That is where another link has acknowledgements; where none is heard at all, the loss is all that is known.
    """
    text = (
        DESIGN.format(link="") + '[access]\nmethod = "csma"\nretries = 3\n[loss]\nframes = 0.05\n'
    )
    plan = air.design(text)
    frames = [
        (1.0 + 60 * at + 0.01 * again, air.frame(air.datagram(bytes([1, 0, at])), at))
        for at in range(8)
        for again in range(4)
    ]
    other = air.datagram(DATA, air.PREFIX, (OTHER, RELAY))
    for at in range(8 * hears):
        # a frame type of acknowledgements, 2, and the number of the frame (IEEE 802.15.4-2006 7.2.2.3, from memory)
        frames.append((31.0 + 60 * at, air.frame(other, at, (OTHER, RELAY))))
        frames.append((31.003 + 60 * at, air.mended(bytes([2, 0, at, 0, 0]))))
    sent = list(air.Capture(sorted(frames), SMALL, plan).records())
    found = measure(sent, contexts=SMALL, design=plan)
    (check,) = [
        one
        for one in found.checks
        if one.what is PlanNumber.LOSS and one.subject == "0x0017 to 0x0001"
    ]
    assert (check.verdict, check.seen) == (PlanVerdict.OUTSIDE, 1.0)
    names = {one.name for one in audit(sent, contexts=SMALL, design=plan).findings}
    assert ("frames-not-acknowledged" in names) == hears
    assert ("loss-over-plan" in names) != hears
