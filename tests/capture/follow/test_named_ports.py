"""What a design says that its ports carry is read so in captures: the same as between registered ports."""

from typing import Any

import pytest
from capture.captures import records

from lowpanbudget import audit, measure, survey
from lowpanbudget.capture.follow.matching import applications_of
from lowpanbudget.capture.follow.tracing import Trace
from lowpanbudget.design.load import parse_design
from lowpanbudget.design.meaning import Design
from lowpanbudget.design.path import paths
from lowpanbudget.design.skeleton import Skeleton, text_of
from lowpanbudget.layers.internet.coap.message import CoapMessage
from lowpanbudget.layers.internet.dtls.record import Unified

REGISTERED = {"coap": "5683", "oscore": "5683", "dtls": "5684"}
NAMED = "0xf0b2"  # the other end has 0xf0b1, so both go in 4 bits (RFC 6282 section 4.3.3)
LEAST, LONG = 3, 100  # octets of a message in one frame, and in fragments


def design_of(transport: str, port: str) -> Design:
    text = text_of(Skeleton(level=0, transport=transport))  # type: ignore[arg-type]
    return parse_design(text.replace(f"port = {REGISTERED[transport]}", f"port = {port}"))


def sent(design: Design, octets: int) -> list[bytes]:
    """Four messages on the first hop, each with a number of its own."""
    path = paths(design.link, design.contexts, design.flows[0])[0]
    data = [bytes([n]) * octets for n in range(4)]
    return [encoded.octets for one in data for encoded in path.frames(one)]


@pytest.mark.parametrize("octets", [LEAST, LONG])
@pytest.mark.parametrize("transport", REGISTERED)
def test_it_is_read_as_between_registered_ports(transport: str, octets: int) -> None:
    told: list[Any] = []
    for port in (REGISTERED[transport], NAMED):
        design = design_of(transport, port)
        seen = records(sent(design, octets))
        whole = [one for one in Trace(design=design).follow(seen) if one.datagram is not None]
        layers = [[*one.contents.layers] for one in whole if one.contents is not None]
        heads = [one for found in layers for one in found if isinstance(one, CoapMessage | Unified)]
        total = survey(seen, design=design).total
        findings = [
            (one.name, one.count)
            for one in audit(seen, design=design).findings
            if one.name != "design-not-shortest"
        ]
        told.append((
            heads, [one.matched.flow.name for one in whole if one.matched is not None],
            (total.datagrams, total.application), findings, len(measure(seen, design=design).flows),
        ))  # fmt: skip
    assert told[0] == told[1]
    heads, flows, (datagrams, _), *_ = told[1]
    assert (len(heads), datagrams) == (4, 4)
    assert flows == ["readings"] * 4


def test_ports_that_flows_use_for_different_things_say_nothing() -> None:
    """Two flows between the same ports, the one with CoAP and the other without."""
    design = design_of("coap", NAMED)
    pair = frozenset({0xF0B1, 0xF0B2})
    assert dict(applications_of(design)) == {pair: "CoAP"}
    text = text_of(Skeleton(level=0, transport="coap")).replace("port = 5683", f"port = {NAMED}")
    start = text.index("[flow.coap]")
    end = text.index("\n[", start)
    assert not applications_of(parse_design(text[:start] + text[end:]))
