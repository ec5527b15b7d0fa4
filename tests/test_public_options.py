"""Options in messages by their public classes: a program tells apart what it is given."""

import json
from ipaddress import IPv6Address
from typing import Any

import pytest
from contract import air
from contract.entry import invoke

from lowpanbudget import (
    AddressRegistration,
    AuthoritativeBorderRouter,
    Capabilities,
    ContextOption,
    Dio,
    DodagConfiguration,
    Etx,
    HopCount,
    Icmpv6,
    Latency,
    LinkColor,
    LinkColorConstraint,
    LinkQuality,
    Metric,
    MetricContainer,
    Mtu,
    NeighborSolicitation,
    NodeEnergy,
    NodeState,
    Pad1,
    PadN,
    PrefixInformation,
    RecursiveDnsServers,
    RedirectedHeader,
    RouteInformation,
    RplOption,
    SolicitedInformation,
    SourceLinkLayerAddress,
    SourceRoute,
    Target,
    TargetDescriptor,
    TargetLinkLayerAddress,
    Throughput,
    TransitInformation,
    UnknownOption,
    coap_path,
    decode_datagram,
)
from lowpanbudget.fields import Tagged
from lowpanbudget.layers.internet import extension
from lowpanbudget.layers.internet.nd.options import OPTIONS as ND
from lowpanbudget.layers.internet.rpl.metrics import OBJECTS
from lowpanbudget.layers.internet.rpl.options import OPTIONS as RPL

SOURCE, DESTINATION = IPv6Address("fe80::5eef:1000:1"), IPv6Address("fe80::5eef:1000:2")
# types of options: RFC 8200 4.2 and RFC 9008 4.2; RFC 4861 4.6, RFC 8106 5.1 (from memory), RFC 6775 4, RFC 7400 3.3;
# RFC 6550 6.7
FAMILIES = [
    (extension.OPTIONS, {0: Pad1, 1: PadN, 0x23: RplOption, 0x63: RplOption}),
    (ND, {
        1: SourceLinkLayerAddress, 2: TargetLinkLayerAddress, 3: PrefixInformation, 4: RedirectedHeader, 5: Mtu,
        25: RecursiveDnsServers, 33: AddressRegistration, 34: ContextOption, 35: AuthoritativeBorderRouter,
        36: Capabilities,
    }),
    (RPL, {
        0: Pad1, 1: PadN, 2: MetricContainer, 3: RouteInformation, 4: DodagConfiguration, 5: Target,
        6: TransitInformation, 7: SolicitedInformation, 8: PrefixInformation, 9: TargetDescriptor,
    }),
]  # fmt: skip


@pytest.mark.parametrize(("family", "classes"), FAMILIES, ids=["IPv6", "ND", "RPL"])
def test_options_of_all_families_are_public(family: Tagged, classes: dict[int, type[Any]]) -> None:
    assert {number: layout.value for number, layout in family.layouts.items()} == classes
    assert family.unknown.value is UnknownOption


def test_objects_of_metrics_are_public() -> None:
    """RFC 6551 section 6.1: types 1 to 8."""
    kinds = (NodeState, NodeEnergy, HopCount, Throughput, Latency, LinkQuality, Etx, LinkColor)
    assert tuple(OBJECTS[number].item.value for number in range(1, 9)) == kinds
    assert OBJECTS[8].limit is not None
    assert OBJECTS[8].limit.value is LinkColorConstraint


def solicitation() -> bytes:
    """Return one with a source link-layer address and an option of type 200 (RFC 4861 sections 4.3 and 4.6.1)."""
    body = bytes(4) + SOURCE.packed + bytes.fromhex("0101 020000000001 c801 000000000000")
    return air.ipv6(SOURCE, DESTINATION, 58, bytes([135, 0, 0, 0]) + body)


def test_a_message_is_found_and_its_options_are_told_by_class() -> None:
    packet = decode_datagram(solicitation()).packet
    header, found = packet.find(Icmpv6), packet.find(NeighborSolicitation)
    assert header is not None
    assert found is not None
    assert found is header.message
    assert [type(option) for option in found.options] == [SourceLinkLayerAddress, UnknownOption]
    assert list(packet.all(Target)) == []


def test_programs_are_told_which_option_it_is() -> None:
    frame = air.frames_of(solicitation(), air.eui(1), air.eui(2))[0].hex()
    (told,) = json.loads(invoke("annotate", frame, "--json").stdout)["frames"]
    (header,) = (layer for layer in told["layers"] if layer["kind"] == "Icmpv6")
    assert header["message"]["kind"] == "NeighborSolicitation"
    kinds = [option["kind"] for option in header["message"]["options"]]
    assert kinds == ["SourceLinkLayerAddress", "UnknownOption"]


def test_a_metric_and_a_source_route_are_of_their_classes() -> None:
    """A DIO whose metric container holds an ETX of 1.5 (RFC 6550 6.3.1, 6.7.4; RFC 6551 4.3.2), an SRH (RFC 6554 3)."""
    dio = (
        bytes.fromhex("1e f0 0100 08 00 0000")
        + SOURCE.packed
        + bytes.fromhex("02 06 07 00 00 02 00c0")
    )
    found = list(
        decode_datagram(air.ipv6(SOURCE, DESTINATION, 58, bytes([155, 1, 0, 0]) + dio)).packet.all(
            Icmpv6
        )
    )
    message = found[0].message
    assert isinstance(message, Dio)
    (container,) = message.options
    assert isinstance(container, MetricContainer)
    (metric,) = container.metrics
    assert (type(container), type(metric), type(metric.items[0])) == (MetricContainer, Metric, Etx)
    route = bytes.fromhex("3b 02 03 01 00 00 0000") + DESTINATION.packed
    assert (
        decode_datagram(air.ipv6(SOURCE, DESTINATION, 43, route)).packet.find(SourceRoute)
        is not None
    )


def test_what_a_design_holds_does_not_change_the_table_of_options() -> None:
    """RFC 7252 section 5.10: Uri-Path has 0 to 255 octets, whatever somebody sets."""
    (option,) = coap_path("/readings")
    definition = option.definition
    assert definition is not None
    for name in ("longest", "shortest", "name"):
        with pytest.raises(AttributeError, match="cannot be set"):
            setattr(definition.value, name, 3)
    assert coap_path("/readings") == (option,)
