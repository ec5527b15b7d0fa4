"""Places of a parent for sleeping children: by hand, and by a few lines that throw messages at polls.

The polling of sleeping children: IEEE 802.15.4-2015 section 6.7.3 (indirect transmission; from memory). The rest is
counting.
"""

from math import exp
from random import Random

import pytest
from findings.cases_deployment import heard

from lowpanbudget import carry, changes_that_help, parse_design
from lowpanbudget.deployment.held import HeldLoss, held_losses
from lowpanbudget.deployment.load import loads
from lowpanbudget.deployment.traffic import CarriedFrame, MessageStream, Traffic, Way
from lowpanbudget.design.estimate import Estimate
from lowpanbudget.design.tree import Tree
from lowpanbudget.design.waiting import Sleep
from lowpanbudget.values import replace

NOTHING = Estimate(0.0, 0.0, 0.0)
FRAME = CarriedFrame(79, 2720.0, 352.0, 4704.0, 0.0, 0.0, NOTHING, NOTHING)
PAIR = Tree(("root", "relay", "child"), (-1, 0, 1), 1, 2, all_send=True)
POLL_S = 5.0


def losses(places: int, *kinds: tuple[int, float]) -> dict[str, HeldLoss]:
    """What finds no places of messages of so many frames, each so many seconds, by name."""
    streams = tuple(
        MessageStream("down", f"of {frames}", "down", every_s, 1, every_s, (2,), (FRAME,) * frames, (FRAME,) * frames)
        for frames, every_s in kinds
    )  # fmt: skip
    traffic = Traffic(PAIR, streams, (), ())
    found = held_losses(traffic, loads(traffic, 1), Sleep(POLL_S, 10, None, places, None), (2,))
    assert {hop for _, _, hop in found} <= {2}
    return {message: one for (_, message, _), one in found.items()}


@pytest.mark.parametrize("places", [4, 7])
def test_a_message_finds_places_for_all_of_its_frames_or_does_not_arrive(places: int) -> None:
    """Of 4 frames one message fits in 4 to 7 places: each that comes after another in one interval is lost.

    Of x that come to a poll on average (Poisson) the first arrives: 1 - (1 - e^-x) / x are lost.
    """
    x = POLL_S / 30
    one = losses(places, (4, 30.0))["of 4"]
    assert one.takes == 4
    assert one.messages == pytest.approx(1 - (1 - exp(-x)) / x, rel=1e-9)
    # of 4 places the second finds none, of 7 it finds 3 of 4
    assert one.frames <= one.messages
    assert (one.frames < one.messages) == (places == 7)


def test_a_message_of_more_frames_than_places_never_arrives() -> None:
    one = losses(3, (4, 30.0))["of 4"]
    assert one.messages == 1
    assert 0.25 < one.frames < 1


@pytest.mark.parametrize(
    ("places", "kinds"),
    [
        (1, ((1, 3.0),)),
        (4, ((1, 8.0), (3, 20.0))),
        (9, ((2, 2.0), (4, 9.0), (1, 5.0))),
        (6, ((5, 0.2), (1, 1.0))),
    ],
)
def test_places_for_messages_of_several_lengths(
    places: int, kinds: tuple[tuple[int, float], ...]
) -> None:
    """Messages are thrown at random times into intervals between polls, and take what places they find."""
    chance, came, lost, refused = Random(5), dict[int, int](), dict[int, int](), dict[int, int]()
    for _ in range(12_000):
        times = []
        for frames, every_s in kinds:
            at = chance.expovariate(1 / every_s)
            while at < POLL_S:
                times.append((at, frames))
                at += chance.expovariate(1 / every_s)
        held = 0
        for _, frames in sorted(times):
            beyond = max(held + frames - places, 0)
            held = min(held + frames, places)
            came[frames] = came.get(frames, 0) + 1
            lost[frames] = lost.get(frames, 0) + (beyond > 0)
            refused[frames] = refused.get(frames, 0) + beyond
    found = losses(places, *kinds)
    for frames, _ in kinds:
        one = found[f"of {frames}"]
        assert one.messages == pytest.approx(lost[frames] / came[frames], abs=0.015)
        assert one.frames == pytest.approx(refused[frames] / came[frames] / frames, abs=0.015)


def test_frames_are_those_of_the_link_to_the_child() -> None:
    """Two on the first hop, three on later ones; what a parent sends its child by itself goes over one hop alone.

    Each finds as many places as it takes: alone on that link, of x to a poll the first arrives and no other.
    """
    x = POLL_S / 30
    ways: dict[Way, tuple[int, int]] = {"down": (2, 3), "child": (2, 2)}
    for way, takes in ways.items():
        for child, places in enumerate(takes, 1):
            stream = MessageStream(
                "down", "reading", way, 30.0, 1, 30.0, (child,), (FRAME,) * 2, (FRAME,) * 3
            )
            traffic = Traffic(PAIR, (stream,), (), ())
            sleep = Sleep(POLL_S, 10, None, places, None)
            (found,) = held_losses(traffic, loads(traffic, 1), sleep, (child,)).items()
            assert found[0][2] == child
            assert found[1].takes == places
            assert found[1].messages == pytest.approx(1 - (1 - exp(-x)) / x, rel=1e-9)


def test_of_what_never_comes_nothing_is_held() -> None:
    stream = MessageStream("down", "reading", "down", 30.0, 1, 30.0, (2,), (FRAME,), (FRAME,) * 2)
    traffic = Traffic(PAIR, (stream,), (), ())
    nodes = [replace(one, down=replace(one.down, frames_per_s=0.0)) for one in loads(traffic, 1)]
    for places, lost in ((1, 1), (2, 0)):
        found = held_losses(traffic, nodes, Sleep(POLL_S, 10, None, places, None), (2,))
        assert [one.messages for one in found.values()] == [lost]


def test_so_many_messages_that_places_are_always_taken() -> None:
    """A thousand times as many as polls: of each thousand the first 50 are held."""
    one = losses(50, (1, POLL_S / 1000))["of 1"]
    assert one.messages == pytest.approx(1 - 50 / 1000, rel=1e-9)
    assert losses(50, (1, 1e9))["of 1"].messages == 0


def test_messages_in_fragments_to_sleeping_children() -> None:
    """Two frames each 30 s and a poll each 5: one place is none, two lose 7.9 %, four what comes third."""
    tables = "[tree]\nby_hop = [1, 1, 1]\n[limits]\ndelivery = 0.95\n[sleep]\npoll_s = 5\nheld_frames = {}\n"

    def network(places: int) -> tuple[bool, float, str]:
        design = parse_design(heard(tables.format(places), "every_s = 30", octets=120, to="probe"))
        found = carry(design)
        (held,) = (one for one in found.checks if one.matter == "held")
        (service,) = (one for one in found.services if one.hop == 3)
        assert service.frames == 2
        assert service.delivered == pytest.approx(1 - held.measured, abs=0.01)
        assert (service.latency is None) == (places == 1)
        if places == 1:
            keys = [one.key for one in changes_that_help(design, found) if one.holds]
            assert keys == ["sleep.held_frames"]
        return found.holds, held.measured, held.text

    holds, lost, text = network(1)
    assert (holds, lost) == (False, 1)
    assert "it holds 1 frame for a child, each takes 2" in text
    x = POLL_S / 30
    # of x that come the first is held, then the first two: E min(N, 1) and E min(N, 2)
    for places, carries, come in ((2, False, 1 - exp(-x)), (4, True, 2 - (2 + x) * exp(-x))):
        holds, lost, _ = network(places)
        assert holds == carries
        assert lost == pytest.approx(1 - come / x, rel=0.05)
