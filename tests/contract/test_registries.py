"""Names of codes: what a frame's spans say of each code that ``vectors/registries`` lists."""

from ipaddress import IPv6Address
from typing import Any

import pytest
from contract import air
from contract.vectors import DESTINATION, SOURCE, Case, carried, framed, load, word

from lowpanbudget import Env, decode_frame

ENDS = IPv6Address("fe80::1"), IPv6Address("fe80::2")
REGISTRIES = load(key="registry")


def read(registry: Case, code: str) -> Any:
    """Return the frame read that carries this code in its place."""
    octets = bytes.fromhex(
        str(registry.get("frame") or registry["octets"]).replace("XX", f"{int(code):02x}")
    )
    if "frame" in registry:
        return decode_frame(octets, fcs=False)
    if "port" in registry:
        return carried(air.udp_datagram(*ENDS, octets, (61000, registry["port"])))
    if "next_header" in registry:
        return carried(air.ipv6(*ENDS, registry["next_header"], octets, 255))
    return framed(octets, Env(SOURCE, DESTINATION))


@pytest.mark.parametrize("registry", [pytest.param(one, id=one["id"]) for one in REGISTRIES])
def test_every_code_has_its_name(registry: Case) -> None:
    assert registry["source"]
    for code, name in registry["names"].items():
        spans = [s for s in read(registry, code).spans if s.name == registry["field"]]
        span = next((s for s in spans if s.value == int(code)), None)
        assert span is not None, (code, name, spans)
        assert word(name) in word(span.meaning), (code, name, span.meaning)
