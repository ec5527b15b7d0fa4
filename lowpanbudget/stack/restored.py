"""What each field of a restored IPv6 or UDP header was restored from: octets in line, a context, an address, a rule.

The rows that carried a header say it: which octets stood in line, and what the decompressor put around them.
"""

from collections.abc import Iterator
from typing import Any

from lowpanbudget.bits import Reader
from lowpanbudget.errors import WireError
from lowpanbudget.layers.internet import chain, ipv6, udp
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.lowpan import dispatch, ghc_headers, legacy, lorh, nhc
from lowpanbudget.layers.lowpan import iphc as iphc_layer
from lowpanbudget.layers.lowpan.fragment import Fragment
from lowpanbudget.layers.lowpan.iphc import Iphc
from lowpanbudget.layers.lowpan.legacy import Legacy
from lowpanbudget.layers.lowpan.lorh import IpInIp
from lowpanbudget.layers.lowpan.nhc import ExtensionNhc, UdpNhc
from lowpanbudget.stack.frame import Frame
from lowpanbudget.stack.restored_fields import (
    EXTENSIONS,
    extension_fields,
    iphc_fields,
    legacy_fields,
    legacy_udp_fields,
    plain_fields,
    udp_fields,
    whole_header,
)
from lowpanbudget.stack.restoring import Group, Restored, State

_STARTS = {"dispatch", "NHC id", "version"}  # names of the first field of a header
_ROUTING = {lorh.SRH.name, lorh.RPI.name, lorh.IP_IN_IP.name, lorh.SKIPPED.name, "6LoRH"}
_UDP_FORMS = {nhc.UDP.name, ghc_headers.UDP.name}
_EXTENSION_FORMS = {nhc.EXTENSION.name, ghc_headers.EXTENSION.name}
_PLAIN = {ipv6.HEADER.name, udp.HEADER.name}
_BEFORE = {dispatch.IPV6.name, dispatch.PAGE_SWITCH.name}
_OLD = {legacy.HC1.name, legacy.HC_UDP.name}
_KNOWN = {iphc_layer.HEADER.name} | _OLD | _ROUTING | _UDP_FORMS | _EXTENSION_FORMS | _PLAIN
_KNOWN |= EXTENSIONS | _BEFORE


def restored(frame: Frame, contexts: Any, datagram: bytes | None = None) -> list[Restored]:
    """Return the fields of the headers that a frame compresses, in order; nothing when it restores none.

    ``contexts`` are those it was decoded with. ``datagram`` is the whole datagram of a first fragment, where known.
    """
    octets = datagram
    if octets is None:
        octets = frame.fragment_octets if frame.datagram is None else frame.datagram.octets
    if frame.fault is not None or (
        isinstance(frame.fragment, Fragment) and not frame.fragment.first
    ):
        return []
    state = State(frame, dict(contexts), octets, list(_headers(octets)))
    tunnels = sum(isinstance(layer, IpInIp) for layer in frame.layers)
    state.depths[ipv6.HEADER.name] = tunnels - 1
    layers = iter(frame.layers)
    found: list[Restored] = []
    for group in _groups(frame):
        if group.layer in _BEFORE:
            continue
        if group.layer == iphc_layer.HEADER.name:
            found += iphc_fields(state, group, _next(layers, Iphc), tunnelled=tunnels > 0)
        elif group.layer in _UDP_FORMS:
            found += udp_fields(state, group, _next(layers, UdpNhc))
        elif group.layer in _EXTENSION_FORMS:
            found += extension_fields(state, group, _next(layers, ExtensionNhc))
        elif group.layer == legacy.HC1.name:
            found += legacy_fields(state, group, _next(layers, Legacy))
        elif group.layer == legacy.HC_UDP.name:
            found += legacy_udp_fields(state, group)
        elif group.layer in _PLAIN:
            found += plain_fields(state, group)
        elif group.layer in _ROUTING or group.layer in EXTENSIONS:
            found.append(whole_header(state, group))
        else:
            break
    return found


def _next(layers: Iterator[object], kind: type) -> Any:
    """Return the next layer of a kind; spans and layers are left behind in the same order."""
    return next((layer for layer in layers if isinstance(layer, kind)), None)


def _groups(frame: Frame) -> list[Group]:
    """Return the headers of a frame's 6LoWPAN payload, from behind mesh and fragment headers on."""
    groups: list[Group] = []
    old: dict[str, Group] = {}
    for span in frame.spans:
        if not groups and span.layer not in _KNOWN:
            continue
        if span.layer in old:  # RFC 4944's forms come first, what they carry in line last
            old[span.layer].spans.append(span)
            continue
        if not groups or groups[-1].layer != span.layer or span.name in _STARTS:
            groups.append(Group(span.layer))
            if span.layer in _OLD:
                old[span.layer] = groups[-1]
        groups[-1].spans.append(span)
    return groups


def _headers(datagram: bytes) -> Iterator[tuple[int, Ipv6]]:
    try:
        yield 0, ipv6.decode(Reader(datagram))
        for found in chain.walk(datagram):
            if found.kind == ipv6.IPV6:
                yield found.offset, ipv6.decode(Reader(datagram, found.offset))
    except WireError:
        return
