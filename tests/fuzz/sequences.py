"""Frames that come one after the other, with times: what the reassembler makes of them, and what it holds meanwhile."""

from random import Random

from fuzz.registry import (
    CONTEXTS,
    OUTCOMES,
    ROOT,
    Choices,
    check_request,
    entry,
    refusal,
    surroundings,
)

from lowpanbudget import Mac, Reassembler, RequestError, compress, decode_frame, encode_frame, split
from lowpanbudget.stack.datagram import complete_checksum
from lowpanbudget.stack.events import Complete, Discarded, Ignored, TimedOut

# Between the frames of a sequence: a network's pauses, the time-out, and clocks that jump
PAUSES = (0.0, 0.01, 1.0, 3.0, 30.0, 61.0, -5.0, 1e9)
# Behind one of these MAC headers, or the octets as a whole frame
HEADERS = (
    b"",
    bytes.fromhex("4188 01 cdab 0200 0100"),
    bytes.fromhex("4188 01 cdab 0100 0200"),
    bytes.fromhex("41cc 01 cdab 02000010ef5e0002 01000010ef5e0002"),
)
MOST_FRAMES = 48


def records(data: bytes) -> list[tuple[float, bytes]]:
    """A sequence of frames, each led by an octet for pause and header and by its length."""
    found: list[tuple[float, bytes]] = []
    at, now = 0, 0.0
    while at + 2 <= len(data) and len(found) < MOST_FRAMES:
        lead, size = data[at], data[at + 1]
        now += PAUSES[lead >> 2 & 7]
        found.append((now, HEADERS[lead & 3] + data[at + 2 : at + 2 + size]))
        at += 2 + size
    return found


@entry("Reassembler", longest=800)
def any_sequence(data: bytes) -> None:
    choice = data[0] if data else 0
    contexts = CONTEXTS[choice & 3]
    most, octets = ((256, 1 << 20), (2, 1 << 20), (256, 200), (1, 1))[choice >> 2 & 3]
    root = ROOT if choice & 16 else None
    reassembler = Reassembler(contexts, 60, most, octets, root)
    brought = 0
    for now, frame_octets in records(data[1:]):
        frame = decode_frame(frame_octets, fcs=False, contexts=contexts, root=root)
        brought += len(frame.fragment_octets)
        for event in reassembler.feed(frame, now):
            OUTCOMES[type(event).__name__] += 1
            if isinstance(event, Complete):
                assert event.fragments >= 1
                if event.key is not None and event.key[2] is not None:
                    assert len(event.datagram.octets) == event.key[2]
            elif isinstance(event, TimedOut):
                assert event.missing
                assert event.received <= brought
            elif isinstance(event, Discarded):
                assert event.reason
                assert event.received <= brought
            else:
                assert isinstance(event, Ignored)
                assert event.reason
        assert 0 <= reassembler.held <= octets
    for event in reassembler.close():
        assert isinstance(event, Discarded)
    assert not reassembler.close()


@entry("split", longest=400)
def any_cut(data: bytes) -> None:
    """A datagram cut for any room comes together again, in whatever order its fragments come."""
    choices = Choices(data)
    choice, room, tag, order = choices.octet(), choices.octet(), choices.number(2), choices.octet()
    packet = choices.rest()
    if len(packet) >= 40:  # most mutations change the length
        packet = packet[:4] + (len(packet) - 40).to_bytes(2, "big") + packet[6:]
    packet = complete_checksum(packet * (1 + (choice >> 7)) if len(packet) < 40 else packet)
    env = surroundings(choice & 0x1E)
    ghc, lorh = bool(choice & 32), bool(choice & 64)
    try:
        parts = split(packet, env, room=room, tag=tag, ghc=ghc, lorh=lorh)
    except RequestError as error:
        check_request(error)
        OUTCOMES[f"refused: {refusal(error)}"] += 1
        return
    assert all(len(part) <= room for part in parts)
    if len(parts) == 1:
        assert parts[0] == compress(packet, env, ghc=ghc, lorh=lorh).octets
        OUTCOMES["whole"] += 1
        return
    if order & 1:
        Random(order).shuffle(parts)
    reassembler = Reassembler(env.contexts, root=env.root)
    source, destination = env.source or b"\0\1", env.destination or b"\0\2"
    mac = Mac(1, 1, 0, 0xABCD, destination, None, source, pan_id_compression=True)
    events = []
    for number, part in enumerate(parts):
        frame = decode_frame(
            encode_frame(mac, part, fcs=0).octets, fcs=0, contexts=env.contexts, root=env.root
        )
        events += reassembler.feed(frame, number * 0.01)
    assert reassembler.held == 0
    if env.source is None:  # what was elided against no address is restored against these
        return
    (complete,) = events
    assert isinstance(complete, Complete)
    assert complete.datagram.octets == packet
    assert complete.fragments == len(parts)
    OUTCOMES["together again"] += 1
