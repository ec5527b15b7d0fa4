"""Names of codes: what a frame's spans say of each code that ``vectors/registries`` lists."""

from ipaddress import IPv6Address
from typing import Any

import pytest
from contract import air
from contract.vectors import DESTINATION, SOURCE, Case, carried, framed, load, word

from lowpanbudget import Env, decode_frame

ENDS = IPv6Address("fe80::1"), IPv6Address("fe80::2")
REGISTRIES = load(key="registry")


def read(registry: Case, octets: bytes) -> Any:
    """Return the frame read that carries these octets in their place."""
    if "frame" in registry or octets[:1] == b"\x41":
        return decode_frame(octets, fcs=False)
    if "port" in registry:
        return carried(air.udp_datagram(*ENDS, octets, (61000, registry["port"])))
    if "next_header" in registry:
        return carried(air.ipv6(*ENDS, registry["next_header"], octets, 255))
    return framed(octets, Env(SOURCE, DESTINATION))


def filled(registry: Case, octet: int) -> bytes:
    """Return the octets of a registry with this one in its place."""
    return bytes.fromhex(
        str(registry.get("frame") or registry["octets"]).replace("XX", f"{octet:02x}")
    )


def said(registry: Case, octets: bytes, field: str, code: int, name: str) -> None:
    spans = [s for s in read(registry, octets).spans if word(s.name) == word(field)]
    span = next((s for s in spans if s.value == code), None)
    assert span is not None, (field, code, name, spans)
    assert word(name) in word(span.meaning), (field, code, name, span.meaning)


@pytest.mark.parametrize("registry", [pytest.param(one, id=one["id"]) for one in REGISTRIES])
def test_every_code_has_its_name(registry: Case) -> None:
    assert registry["source"]
    for code, name in registry.get("names", {}).items():
        each = registry.get("each", {}).get(code)
        octets = filled(registry, int(code)) if each is None else bytes.fromhex(each)
        said(registry, octets, registry["field"], int(code), name)
    for field, shift, *names in registry.get("flags", ()):
        for code, name in enumerate(names):
            said(registry, filled(registry, registry["base"] | code << shift), field, code, name)
