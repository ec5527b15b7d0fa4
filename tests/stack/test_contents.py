"""A known message's fields are spans of the frame: they tile it, and say what the message says."""

from dataclasses import replace

import pytest
from design.designs import EXAMPLES

from lowpanbudget import Env, compress, decode_frame, encode_frame, load_design
from lowpanbudget.bits import tiles
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
    spans = with_contents(frame.spans, frame.heads, message)
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
    assert with_contents(frame.spans, frame.heads, message) == frame.spans
