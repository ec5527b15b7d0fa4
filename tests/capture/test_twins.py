"""A receiver that writes each record twice is told once, and each frame counts once."""

import pytest
from findings import air

from lowpanbudget import Record, audit, measure, survey
from lowpanbudget.capture.files.record import RECORDS_TWICE

COUNT = 40


def records(apart_ns: int, *, every: int = 1, acknowledged: bool = True) -> list[Record]:
    """Readings and acknowledgements, of which each so many-th record comes twice, so far apart."""
    sent: list[tuple[float, bytes]] = []
    for at in range(COUNT):
        sent.append((1.0 + at, air.frame(air.datagram(bytes([at, 1])), at)))
        if acknowledged:
            # a frame type of acknowledgements, 2, and the number of the frame (IEEE 802.15.4-2006 7.2.2.3, from memory)
            sent.append((1.003 + at, air.mended(bytes([2, 0, at, 0, 0]))))
    found: list[Record] = []
    for place, (time_s, octets) in enumerate(sent):
        for again in range(1 + (place % every == 0)):
            when = round(time_s * 10**9) + again * apart_ns
            found.append(Record(len(found) + 1, when, 195, octets, len(octets)))
    return found


@pytest.mark.parametrize("apart_ns", [0, 7_000, 100_000])
def test_what_is_written_twice_counts_once(apart_ns: int) -> None:
    once, twice = records(0, every=10**6)[1:], records(apart_ns)
    found = measure(twice, contexts=air.CONTEXTS)
    assert [one.name for one in found.notices] == [RECORDS_TWICE]
    straight = measure(once, contexts=air.CONTEXTS)
    assert found.frames == straight.frames == 2 * COUNT
    (link,), (flow,) = found.links, found.flows
    assert (link.frames, link.tries, link.most_tries) == (COUNT, COUNT, 1)
    assert link.answered is not None
    assert (link.answered.count, flow.datagrams, flow.again) == (COUNT, COUNT, 0)
    assert survey(twice, contexts=air.CONTEXTS).total.frames == 2 * COUNT
    (told,) = [one for one in audit(twice, contexts=air.CONTEXTS).findings if one.has_weight]
    assert (told.name, told.subject, told.count) == ("capture-damaged", RECORDS_TWICE, 1)


@pytest.mark.parametrize(
    ("apart_ns", "every"),
    [
        (3_000_000, 1),  # retries, as soon as a frame and the time for its acknowledgement are over
        (7_000, 3),  # a third of the records: what a receiver writes twice it always does
    ],
)
def test_what_is_sent_again_is_no_twin(apart_ns: int, every: int) -> None:
    sent = records(apart_ns, every=every, acknowledged=False)
    found = measure(sent, contexts=air.CONTEXTS)
    assert found.notices == ()
    (link,) = found.links
    assert link.tries == len(sent)


def test_without_times_nobody_knows() -> None:
    sent = [one._replace(time_ns=None) for one in records(0)]
    assert measure(sent, contexts=air.CONTEXTS).notices == ()
