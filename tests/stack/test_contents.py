"""A known message's fields are spans of the frame: they tile it, and say what the message says."""

from dataclasses import replace

import pytest
from design.designs import EXAMPLES

from lowpanbudget import Env, compress, decode_frame, encode_frame, load_design
from lowpanbudget.bits import Writer, tiles
from lowpanbudget.stack.contents import with_contents

DESIGN = load_design(EXAMPLES / "footbridge.toml")


@pytest.mark.parametrize("name", [message.name for message in DESIGN.messages])
def test_fields_take_the_place_of_the_octets(name: str) -> None:
    message = DESIGN.message(name)
    values = message.example("typical")
    (path, *_) = DESIGN.paths(DESIGN.flow("features"))
    octets = message.pack(values)
    env = Env(path.hop.source, path.hop.destination, contexts=path.contexts)
    payload = compress(path.datagram(octets), env).octets
    mac = path.link.mac(path.hop.source, path.hop.destination)

    frame = decode_frame(
        encode_frame(replace(mac, security=None), payload).octets, contexts=path.contexts
    )
    assert frame.spans[-2].value == octets
    spans = with_contents(frame.packet, message)
    assert tiles(spans, 8 * len(frame.octets))
    assert (spans[: len(frame.spans) - 2], spans[-1]) == (frame.spans[:-2], frame.spans[-1])
    assert spans != frame.spans
    bits = sum(span.bits for span in spans[len(frame.spans) - 2 : -1])
    assert bits == 8 * len(octets)


def test_octets_that_the_layout_refuses_stay_as_they_are() -> None:
    message = DESIGN.message("command")
    (path, *_) = DESIGN.paths(DESIGN.flow("features"))
    env = Env(path.hop.source, path.hop.destination, contexts=path.contexts)
    payload = compress(path.datagram(b"\xff" * 9), env).octets
    frame = decode_frame(
        encode_frame(
            path.link.mac(path.hop.source, path.hop.destination), payload, key=bytes(16), asn=0
        ).octets,
        contexts=path.contexts,
    )
    assert with_contents(frame.packet, message) == frame.spans


@pytest.mark.parametrize("name", ["command", "features", "snapshot_block"])
def test_fields_stand_in_the_ledger_of_a_frame_that_is_made(name: str) -> None:
    """Whatever protects the message: OSCORE's cipher keeps the order of octets, and so do the spans."""
    message = DESIGN.message(name)
    (flow, *_) = DESIGN.carriers(message)
    (path, *_) = DESIGN.paths(flow)
    values = message.example("typical")
    octets = message.pack(values)
    (bare,), (frame,) = path.frames(octets), path.frames(octets, message)
    assert bare.octets == frame.octets
    assert tiles(frame.spans, 8 * len(frame.octets))
    writer = Writer()
    message.write(writer, values)
    (data,) = (span for span in bare.spans if span.layer == "payload")
    layer = writer.spans[0].layer
    fields = [span for span in frame.spans if span.layer == layer]
    assert [(span.name, span.value) for span in fields] == [
        (span.name, span.value) for span in writer.spans
    ]
    assert fields[0].offset_bits == data.offset_bits
    assert sum(span.bits for span in fields) == data.bits
