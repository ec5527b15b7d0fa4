"""Surveys by columns of what somebody sends to make them slow, or to make them remember: counted alike, and bounded."""

import pytest
from capture.captures import CONTEXTS, KEY, eui, frames_of, ip_of, records, short, udp_datagram
from capture.columns.columns_help import by_columns
from capture.follow.test_disputes import ROUTER, announced, registered, sealed

from lowpanbudget.capture.columns import places, surveying
from lowpanbudget.capture.columns.learning import Learner
from lowpanbudget.capture.surveyor import survey


@pytest.fixture
def cleared(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """How many classes there were, each time that all were forgotten; twice is allowed."""
    monkeypatch.setattr(surveying, "_MOST_CLEARS", 2)
    times: list[int] = []
    clear = Learner.clear

    def counted(learner: Learner) -> None:
        times.append(len(learner.classes))
        clear(learner)

    monkeypatch.setattr(Learner, "clear", counted)
    return times


def test_contexts_without_end_are_followed_one_by_one(cleared: list[int]) -> None:
    datagram = udp_datagram(ip_of(eui(1)), ip_of(eui(2)), b"21.5 degrees")
    frames: list[bytes] = []
    for number in range(12):
        frames.append(announced(ROUTER, f"2001:db8:{number + 1:x}::/64", number=number))
        frames += frames_of(datagram, eui(1), eui(2), sequence=number)
    made = records(frames)
    found, shares = by_columns(made)
    assert found == survey(made)
    assert found.total.frames == shares.columns + shares.followed == 24
    assert len(cleared) == 3


def test_devices_without_end_are_followed_one_by_one(cleared: list[int]) -> None:
    """Nodes are opened after each registration of theirs that somebody forged, and counted by columns before."""
    link, frames = short(0x42), [registered(short(0x42), eui(7), 0)]
    for number in range(1, 40):
        frames.append(sealed(link, eui(7), number))
        if number > 20:
            frames.append(registered(link, eui(0x1000 + number), number))
            frames.append(registered(short(0x100 + number % 3), eui(0x2000 + number), number))
    made = records(frames)
    found, shares = by_columns(made, contexts=CONTEXTS, keys=KEY)
    assert found == survey(made, contexts=CONTEXTS, keys=KEY)
    assert shares.columns >= 18  # of 19 that are like the first
    assert found.total.datagrams == len(frames)
    assert len(cleared) <= 4


def test_ends_of_fragments_without_end(monkeypatch: pytest.MonkeyPatch) -> None:
    assert places.MOST_ENDS == 1 << 14
    monkeypatch.setattr(places, "MOST_ENDS", 3)
    frames: list[bytes] = []
    for number in range(6):
        datagram = udp_datagram(ip_of(eui(number)), ip_of(eui(99)), bytes(200))
        frames += frames_of(datagram, eui(number), eui(99), tag=number)
    made = records(frames, step_ns=10**8)
    found, _ = by_columns(made, contexts=CONTEXTS)
    assert found == survey(made, contexts=CONTEXTS)
    assert found.total.datagrams == 6
