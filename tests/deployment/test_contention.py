"""Contention, played: against values simulated beforehand by another program, closed forms, and what must hold."""

from math import exp, hypot, inf, isclose, sqrt

import pytest

from lowpanbudget.deployment.contention import ContentionResult, simulate_csma
from lowpanbudget.deployment.contention_air import Air
from lowpanbudget.deployment.contention_messages import MessageLog, MovingMessage
from lowpanbudget.deployment.contention_rules import (
    CsmaRules,
    HearingRanges,
    Sending,
    SimulatedFrame,
)
from lowpanbudget.deployment.delivery import LinkTries, LossStates, delivered_in_runs
from lowpanbudget.errors import RequestError

# macMinBE 3, macMaxBE 5, 4 backoffs, 3 retries (from memory); waits of 2.4 GHz in microseconds
RULES = CsmaRules(3, 5, 4, 3, 320, 128, 192, 864, 640)
FRAME = SimulatedFrame(85 * 32, 11 * 32)  # 79 octets, an acknowledgement of 5


def all_near(nodes: int) -> HearingRanges:
    """Nodes that all hear each other, the receiver with them."""
    others = tuple(tuple(o for o in range(nodes + 1) if o != n) for n in range(nodes + 1))
    return HearingRanges(others, others)


def played(
    nodes: int, per_s: float, seconds: float, frame: SimulatedFrame = FRAME
) -> ContentionResult:
    sendings = [Sending((node, 0), 1 / per_s, (frame,)) for node in range(1, nodes + 1)]
    return simulate_csma(RULES, all_near(nodes), sendings, places=None, seed=11, seconds=seconds)


# nodes, messages a second of each, seconds; busy share of CCAs, collided share of frames, share lost: simulated
# beforehand by another program, without acknowledgements in anybody's way; and the share that a fixed point loses, with
# one mean chance of a busy channel
TABLE = [
    (10, 5, 800, 0.207, 0.033, 2.55e-3, 5.7e-5),
    (20, 5, 200, 0.409, 0.081, 2.3e-2, 1.7e-3),
]


@pytest.mark.parametrize(("nodes", "per_s", "seconds", "busy", "collided", "lost", "kinder"), TABLE)
def test_one_room_full_of_nodes(
    nodes: int,
    per_s: float,
    seconds: float,
    busy: float,
    collided: float,
    lost: float,
    kinder: float,
) -> None:
    found = played(nodes, per_s, seconds)
    # acknowledgements keep the channel busy as well: some 5 % more of the CCAs, and some 15 % of the collisions
    assert found.busy == pytest.approx(busy, rel=0.08)
    assert found.collided == pytest.approx(collided, rel=0.2)
    # four standard errors of ours and of theirs, and what acknowledgements add
    near = 4 * hypot(found.half_width / 1.96, 0.08 * lost) + 0.1 * lost
    assert 1 - found.delivery == pytest.approx(lost, abs=near)
    assert found.half_width < 0.01
    assert 1 - found.delivery > 10 * kinder


def test_the_same_seed_is_the_same_answer_and_another_is_not() -> None:
    once, again = played(10, 5, 60), played(10, 5, 60)
    assert once == again
    sendings = [Sending((node, 0), 0.2, (FRAME,)) for node in range(1, 11)]
    other = simulate_csma(RULES, all_near(10), sendings, places=None, seed=12, seconds=60)
    assert other.transmissions != once.transmissions


def test_a_sender_alone_loses_what_its_retries_do() -> None:
    """1 - 0.4^4 of the frames, known after a mean number of attempts; the first of them after 4.160 ms."""
    frame = SimulatedFrame(85 * 32, 11 * 32, 0.4, 0.1)
    found = played(1, 1, 20_000, frame)
    (arrived,) = found.by_sending
    link = LinkTries(0.4, 0.1, 4)
    count = arrived.generated
    error = sqrt(link.delivered * (1 - link.delivered) / count)
    assert abs(found.delivery - link.delivered) < 4 * error
    assert found.transmissions / count == pytest.approx(link.mean_attempts, rel=0.02)
    perfect = played(1, 0.5, 8_000).by_sending[0]
    mean = sum(perfect.latencies_s) / perfect.delivered
    # backoff 3.5 x 320, CCA 128, turnaround 192, 2720 of frame: and now and then a message waits for the one before
    assert mean == pytest.approx(4.160e-3, rel=0.01)


def test_hidden_nodes_collide_for_the_whole_of_a_frame() -> None:
    """Two senders that do not hear each other, one try: e^-(2 x rate x airtime) of the frames are not hit."""
    hidden = HearingRanges(((1, 2), (0,), (0,)), ((1, 2), (0,), (0,)))
    rules = RULES._replace(retries=0, spacing_us=0)
    rate = 8.0
    sendings = [Sending((node, 0), 1 / rate, (SimulatedFrame(2720, 352),)) for node in (1, 2)]
    found = simulate_csma(rules, hidden, sendings, places=None, seed=3, seconds=1500)
    # the other one's frame begins within an airtime before or after; an acknowledgement at the receiver makes it deaf
    # for a little longer
    expected = exp(-2 * rate * 2720e-6)
    assert 1 - found.collided == pytest.approx(expected, abs=0.009)
    heard = simulate_csma(rules, all_near(2), sendings, places=None, seed=3, seconds=400)
    assert heard.collided < found.collided / 4


def test_a_router_answers_before_it_listens() -> None:
    """One radio: what it passes on waits for its own acknowledgement, which no CCA of its own then finds on the air.

    Nobody else sends, but for the few messages that begin while another is on its way (8 ms of 10 s).
    """
    line = HearingRanges(((1,), (0, 2), (1,)), ((1,), (0, 2), (1,)))
    sendings = [Sending((2, 1, 0), 10.0, (FRAME,))]
    found = simulate_csma(RULES, line, sendings, places=None, seed=1, seconds=20_000)
    assert found.busy < 0.002
    # CCA, turnaround and frame; turnaround and acknowledgement; CCA, turnaround and frame, without any backoff
    shortest = (128 + 192 + 2720) + (192 + 352) + (128 + 192 + 2720)
    assert min(found.by_sending[0].latencies_s) == pytest.approx(shortest / 1e6)


def test_a_cca_does_not_hear_what_begins_as_it_ends(monkeypatch: pytest.MonkeyPatch) -> None:
    """The other one listens from 192 to 320 µs, and the frame of the first begins at 320: each try of both is hit."""
    sendings = [Sending((node, 0), inf, (FRAME,)) for node in (1, 2)]
    air = Air(RULES, all_near(2), sendings, None, 1, None)
    monkeypatch.setattr(air, "_random", lambda: 0.0)  # no backoff is drawn
    air.plan(0, [0.0])
    air.plan(1, [192.0])
    air.play()
    assert (air.transmissions, air.collided, air.log.lost["retries"]) == (8, 8, 2)


def test_runs_of_losses_defeat_retries_on_the_air_as_well() -> None:
    """A link that is bad for a second at a time: all four tries fall into it."""
    states = LossStates(0.01, 0.9, 1.0, 0.1)
    sendings = [Sending((1, 0), 1.0, (FRAME,))]
    found = simulate_csma(
        RULES, all_near(1), sendings, places=None, seed=5, seconds=20_000, runs=states
    )
    # tries follow each other after a frame, a wait of 864 µs and the next backoff
    exact = delivered_in_runs(states, (2720 + 864 + 1120 + 128 + 192) / 1e6, 4, 1)
    error = sqrt(exact * (1 - exact) / found.messages)
    assert abs(found.delivery - exact) < 4 * error


def test_queues_and_messages_of_several_frames() -> None:
    """Three frames find two places: none arrives. With three, over two hops, all do."""
    line = HearingRanges(((1,), (0, 2), (1,)), ((1,), (0, 2), (1,)))
    sendings = [Sending((2, 1, 0), 10.0, (FRAME,) * 3)]
    short = simulate_csma(RULES, line, sendings, places=2, seed=1, seconds=500)
    assert (short.delivery, short.lost["queue"]) == (0, short.messages)
    found = simulate_csma(RULES, line, sendings, places=3, seed=1, seconds=500)
    assert found.delivery > 0.98
    assert found.transmissions >= 6 * found.by_sending[0].delivered
    assert min(found.by_sending[0].latencies_s) > 6 * 2720e-6


def test_it_goes_on_until_the_answer_is_narrow() -> None:
    sendings = [Sending((node, 0), 0.2, (FRAME,)) for node in range(1, 21)]
    found = simulate_csma(RULES, all_near(20), sendings, places=None, seed=2, half_width=0.004)
    assert found.half_width <= 0.004
    wide = simulate_csma(RULES, all_near(20), sendings, places=None, seed=2, half_width=0.02)
    assert wide.messages < found.messages
    assert isclose(wide.delivery, found.delivery, abs_tol=wide.half_width + found.half_width)


def test_few_messages_say_nothing_of_the_rest() -> None:
    """Of fewer than twenty the share is told, and that it may be any other."""
    sending = [Sending((1, 0), 1.0, (FRAME,))]
    found = simulate_csma(RULES, all_near(1), sending, places=None, seed=1, seconds=9)
    assert 0 < found.messages < 20
    assert (found.delivery, found.half_width) == (1, 1)
    none = simulate_csma(RULES, all_near(1), sending, places=None, seed=1, seconds=1e-3)
    assert (none.messages, none.delivery, none.half_width) == (0, 0, 1)


def test_it_goes_on_until_each_group_has_some() -> None:
    """One sender in fifty of the others' rate: 300 of its own messages, or of it and its like together."""
    sendings = [Sending((1, 0), 0.5, (FRAME,)), *[Sending((2, 0), 25.0, (FRAME,))] * 3]
    for groups, rare in (((0, 1, 1, 1), slice(1, 4)), ((0, 0, 0, 1), slice(3, 4))):
        found = simulate_csma(
            RULES, all_near(2), sendings, places=None, seed=1, half_width=1.0, groups=groups
        )
        assert sum(one.generated for one in found.by_sending[rare]) >= 300
    # where a group does not count, or there are none, the first look is enough
    short = simulate_csma(
        RULES, all_near(2), sendings, places=None, seed=1, half_width=1.0, groups=(0, -1, -1, -1)
    )
    assert short.messages < found.messages


def test_messages_are_told_up_to_the_first_that_is_on_its_way() -> None:
    log = MessageLog(1, keeps=False)
    first, second, third = (MovingMessage(log.begin(), 0, 0.0) for _ in range(3))
    log.arrive(second, 1e6, 0)
    assert log.outcomes() == []
    log.lose(first, "retries", 1)
    assert log.outcomes() == [0, 1]
    log.arrive(third, 2.5e6, 0)
    assert log.outcomes() == [0, 1, 1]
    (settled,) = log.by_sending()
    assert (settled.generated, settled.latencies) == (3, [1.0, 2.5])


def test_nothing_to_send_is_said() -> None:
    with pytest.raises(RequestError, match="no message goes"):
        simulate_csma(RULES, all_near(1), [Sending((1,), 1.0, (FRAME,))], places=1, seed=1)
