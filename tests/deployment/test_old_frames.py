"""Frames that somebody sent once more are no messages, no numbers and no tries of the node whose address they have.

Readings of the cold store, one each 30 s and acknowledged; ten of them come again, octet for octet, 451 or 449 s later,
where no acknowledgement answers them. Counted by hand: 60 were made, 58 lie between the first and the last.
"""

from findings.air import CONTEXTS, Capture
from findings.cases_replays import again_in_clear, every_30_s

from lowpanbudget import measure
from lowpanbudget.capture.follow.tracing import Trace


def test_what_was_played_again_is_not_counted() -> None:
    capture = again_in_clear(10, 451.0, 2.0)
    measured = measure(list(capture.records()), design=capture.design, fcs=2)
    (flow,) = measured.flows
    assert flow.restarts == 0
    assert flow.arrived is not None
    assert (flow.sent, flow.arrived.count, flow.arrived.trials) == (60, 58, 58)
    (link,) = measured.links
    assert (link.frames, link.tries, link.unanswered) == (60, 60, 0)
    node = max(measured.nodes, key=lambda one: one.frames)
    assert (node.frames, node.missing, node.numbers) == (70, 0, 60)


def test_frames_of_a_restarted_node_are_counted_where_it_goes_on() -> None:
    """Forty numbers, then the first thirty-four once more: when 33 came nobody takes the node for a player."""
    records = Capture([*every_30_s(*range(40)), *every_30_s(*range(34), since=1201.0)]).records()
    settled = [one.settled for one in Trace(contexts=CONTEXTS, fcs=2).follow(records)]
    assert settled[:40] == [None] * 40
    assert [one is not None and one.is_aside for one in settled[40:]] == [True] * 32 + [False] * 2
    last = settled[72]
    assert last is not None
    assert [one.number for one in last.suspects] == [*range(41, 73)]
    assert not last.are_old
