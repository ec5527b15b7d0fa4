"""The payloads of fragments as their writers leave them."""

from lowpanbudget import Env
from lowpanbudget.bits import tiles
from lowpanbudget.stack.outgoing import Outgoing
from lowpanbudget.stack.split import payloads

ENV = Env(b"\x00\x01", b"\x00\x02")


def test_spans_tile_every_fragment() -> None:
    head = bytes.fromhex("6000 0000 012c 3b40") + bytes(32)
    for writer in payloads(Outgoing.read(head + bytes(300)), ENV, room=70, tag=1):
        assert tiles(writer.spans, len(writer.data) * 8)
