"""The west abutment of the footbridge for 90 minutes."""

import random
from dataclasses import replace
from decimal import Decimal
from ipaddress import IPv6Address, IPv6Network
from typing import Any

from captures.air import ALL_NODES, START_S, TAP, Air, Sent, control, local, packet, with_limit
from lowpanbudget import Env, compress
from lowpanbudget.env import interface_identifier
from lowpanbudget.layers.internet import ipv6
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.internet.nd import messages as nd
from lowpanbudget.layers.internet.nd.lowpan_options import ContextOption
from lowpanbudget.layers.internet.nd.options import PrefixInformation, SourceLinkLayerAddress
from lowpanbudget.layers.internet.rpl import messages as rpl
from lowpanbudget.layers.internet.rpl.options import DodagConfiguration, Target, TransitInformation
from lowpanbudget.layers.link import elements
from lowpanbudget.layers.link.header_contents import TIME_CORRECTION
from lowpanbudget.layers.link.mac import BROADCAST, FrameType, Mac
from lowpanbudget.layers.lowpan import routing
from lowpanbudget.layers.lowpan.lorh import Rpi

ALL_RPL_NODES = IPv6Address("ff02::1a")  # RFC 6550 section 6

PARENTS = {0x11: 0x01, 0x12: 0x01, 0x13: 0x11, 0x14: 0x12, 0x15: 0x01, 0x17: 0x13}
OLD_NODE, FAST_NODE, SPARE_NODE = 0x12, 0x15, 0x1F


def bridge_link(number: int) -> bytes:
    """Return the EUI-64 of a node of the footbridge."""
    return bytes.fromhex("025e1000000000") + bytes([number])


def bridge_ip(number: int) -> IPv6Address:
    """Return the address of a node of the footbridge."""
    prefix = int(IPv6Address("2001:db8:51:7::"))
    return IPv6Address(prefix | (interface_identifier(bridge_link(number)) or 0))


def way_up(number: int) -> list[tuple[int, int]]:
    """Return the hops from a node to the root."""
    hops = []
    while number in PARENTS:
        hops.append((number, PARENTS[number]))
        number = PARENTS[number]
    return hops


class Footbridge:
    """The traffic of the footbridge."""

    def __init__(self) -> None:
        self.air = Air("footbridge", TAP)
        self.random = random.Random(51)  # noqa: S311  # the same each time is what is wanted
        self.office = IPv6Address("2001:db8:f00d:2::10")

    def up(self, at_s: float, number: int, datagram: bytes, **more: Any) -> None:
        """Send a datagram over all hops to the root, a slotframe or so each."""
        for passed, (start, end) in enumerate(way_up(number)):
            self.air.datagram(
                at_s + 1.2 * passed, bridge_link(start), bridge_link(end),
                with_limit(datagram, passed), gap_s=1.01, **more,
            )  # fmt: skip

    def features(self, sequence: int, at_s: float) -> bytes:
        """Return a report of a node: strain and tilt of a quiet bridge on a warm morning."""
        message, chance = self.air.design.message("features"), self.random
        tilt = Decimal(chance.randrange(-40, 40)) / 1000
        return message.pack(
            {
                **message.example("typical"),
                "sequence": sequence, "time": START_S + int(at_s),
                "strain": 120 + chance.randrange(-30, 30),
                "tilt_x": tilt, "tilt_y": -tilt,
                "temperature": Decimal(1650 + int(at_s) // 60 + chance.randrange(-20, 20)) / 100,
                "vibration": chance.randbytes(18),
            }
        )  # fmt: skip

    def reports(self) -> None:
        """Send reports every ten minutes, of one node every minute."""
        for place, number in enumerate(PARENTS):
            for index in range(9):
                at = 20.0 + 40 * place + 600 * index + self.random.random()
                data = self.features(index, at)
                retries = (1.01,) if (place, index) in {(0, 2), (3, 5)} else ()
                ends = bridge_ip(number), bridge_ip(1)
                if number == FAST_NODE:
                    continue
                self.up(at, number, packet(*ends, (0xF0B1, 0xF0B2), data), retries=retries)
        for index in range(14):
            at = 1500.0 + 60 * index
            data = self.features(index, at)
            ends = bridge_ip(FAST_NODE), bridge_ip(1)
            self.up(
                at, FAST_NODE, packet(*ends, (0xF0B1, 0xF0B2), data),
                fault="interval-off-plan" if not index else "",
            )  # fmt: skip

    def snapshot(self, number: int) -> bytes:
        """Return the datagram of a snapshot."""
        chance = self.random
        samples = [[chance.randrange(-60, 60), chance.randrange(-60, 60), 1000] for _ in range(256)]
        data = self.air.design.message("snapshot").pack({"sample": samples})
        return packet(bridge_ip(number), self.office, (0xF0B1, 7005), data)

    def snapshots(self) -> None:
        """Send one as it should be, one with fragments that come twice, one too slow, and three that meet."""
        root, near, relay = bridge_link(1), bridge_link(0x11), bridge_link(0x13)
        air = self.air
        air.datagram(700.0, near, root, self.snapshot(0x11), gap_s=1.01)
        air.datagram(
            2900.0,
            near,
            root,
            self.snapshot(0x11),
            gap_s=8.0,
            tally=("fragments",),
            fault="fragments-too-slow",
        )
        first = len(air.sent)
        air.datagram(1300.0, near, root, self.snapshot(0x11), gap_s=1.01)
        for one in air.sent[first + 2 : first + 5]:
            air.sent.append(
                replace(one, at_s=one.at_s + 0.4, fault="fragment-repeated", tally=("fragments",))
            )
        for index, start in enumerate((relay, relay, bridge_link(0x16))):
            first = len(air.sent)
            air.datagram(
                3300.0 + index / 2, start, near, with_limit(self.snapshot(0x13), 1), gap_s=1.01
            )
            del air.sent[first + 4 :]
            air.sent[first].fault = "fragments-meet fragments-unfinished"

    def blocks(self) -> None:
        """Send blocks of a snapshot under OSCORE, over three hops."""
        sent = self.air.design.flow("blocks").application
        assert sent.coap is not None
        assert sent.oscore is not None
        for index in range(4):
            coap = replace(sent.coap, mid=sent.coap.mid + index)
            oscore = replace(sent.oscore, sequence=index)
            data = replace(sent, coap=coap, oscore=oscore).write(self.random.randbytes(32)).data
            datagram = packet(bridge_ip(0x17), self.office, (5683, 61616), bytes(data))
            self.up(2000.0 + 12 * index, 0x17, datagram)

    def command(self, order: str) -> bytes:
        """Return a command of the collector."""
        values = {"magic": 181, "order": order, "interval": 600, "token": self.random.randbytes(2)}
        return self.air.design.message("command").pack(values)

    def commands(self) -> None:
        """Send commands: to neighbours, to all, and down source routes."""
        air, root = self.air, bridge_link(1)
        ends = bridge_ip(1), bridge_ip(0x11)
        for index in range(3):
            data = self.command("report")
            if index:
                data = data[:-2] + self.random.randbytes(14 - len(data) + 2)
            air.datagram(
                300.0 + 900 * index, root, bridge_link(0x11), packet(*ends, (0xF0B2, 0xF0B1), data),
                fault="message-length-wrong" if index else "",
            )  # fmt: skip
        group = packet(
            bridge_ip(1), IPv6Address("ff03::fc"), (0xF0B2, 0xF0B1), self.command("report")
        )
        air.datagram(1000.0, root, BROADCAST, group)
        for index in range(5):
            self.routed(400.0 + 700 * index, [0x12, 0x14], reach=1, fault="page-one-not-answered")
        for index in range(2):
            self.routed(520.0 + 1500 * index, [0x11, 0x13, 0x17], reach=3)

    def routed(self, at_s: float, way: list[int], *, reach: int, fault: str = "") -> None:
        """Send a command down a source route; it comes as far as ``reach`` hops."""
        final = bridge_ip(way[-1])
        data = self.command("set_interval")
        segment = packet(bridge_ip(1), final, (0xF0B2, 0xF0B1), data)[ipv6.OCTETS :]
        start = 1
        for passed, node in enumerate(way[:reach]):
            ahead = [bridge_ip(one) for one in way[passed + 1 :]]
            information = Rpi(0, 256 * (passed + 1), down=True)
            option = routing.hop_by_hop_of(information, 0x63)
            route = routing.routing_header_of(ahead) if ahead else b""
            body = bytes([ipv6.ROUTING if route else ipv6.UDP]) + option[1:]
            body += (route and bytes([ipv6.UDP]) + route[1:]) + segment
            header = Ipv6(
                0, 0, len(body), ipv6.HOP_BY_HOP, 64 - passed, bridge_ip(1), bridge_ip(node)
            )
            env = Env(
                bridge_link(start), bridge_link(node), contexts=self.air.design.contexts,
                root=bridge_ip(1),
            )  # fmt: skip
            payload = compress(bytes(header) + body, env, lorh=True).octets
            self.air.frame(
                at_s + 1.2 * passed, bridge_link(start), bridge_link(node), payload, fault=fault,
                tally=("datagrams",),
            )  # fmt: skip
            start = node

    def network(self) -> None:
        """Send beacons, advertisements, DIOs and DAOs."""
        air, root = self.air, bridge_link(1)
        level = air.design.link.security
        assert level is not None
        for index in range(10):
            at = 5.0 + 480 * index
            synchronized = elements.nested_ie(0x1A, asn=int(at * 100), join_metric=0)
            beacon = replace(
                air.design.link.mac(root, BROADCAST), frame_type=FrameType.BEACON,
                payload_ies=(elements.mlme_ie(synchronized),), security=replace(level, level=1),
            )  # fmt: skip
            air.sent.append(Sent(at, beacon, b""))
        context = ContextOption(cid=0, prefix=IPv6Network("2001:db8:51:7::/64"), valid_lifetime=600)
        advertisement = nd.RouterAdvertisement(
            cur_hop_limit=64,
            router_lifetime=3600,
            options=(context, SourceLinkLayerAddress(address=root)),
        )
        prefix = PrefixInformation(
            prefix_length=64, address=IPv6Address("2001:db8:51:7::"), autonomous=True
        )
        second = nd.RouterAdvertisement(cur_hop_limit=64, router_lifetime=3600, options=(prefix,))
        for at, message in ((8.0, advertisement), (9.5, second), (2408.0, advertisement)):
            air.datagram(at, root, BROADCAST, control(local(root), ALL_NODES, message))
        configuration = DodagConfiguration(
            dio_interval_doublings=8, dio_interval_min=12, dio_redundancy_constant=10,
            max_rank_increase=2048, min_hop_rank_increase=256, objective_code_point=1,
            default_lifetime=120, lifetime_unit=60, rpi_0x23=True,
        )  # fmt: skip
        for number, rank in ((0x01, 256), (0x11, 512), (0x12, 512), (0x13, 768)):
            dio = rpl.Dio(
                rpl_instance_id=0,
                version=240,
                rank=rank,
                dodag_id=bridge_ip(1),
                grounded=True,
                mode=1,
                options=(configuration,),
            )
            link = bridge_link(number)
            datagram = control(local(link), ALL_RPL_NODES, dio)
            fault = "rpl-option-not-as-announced" if number == 0x13 else ""  # the last before it
            air.datagram(11.0 + number / 10, link, BROADCAST, datagram, fault=fault)
        for place, (number, parent) in enumerate(PARENTS.items()):
            transit = TransitInformation(
                path_control=0, path_sequence=place, path_lifetime=120, parent=bridge_ip(parent)
            )
            target = Target(prefix=IPv6Network(f"{bridge_ip(number)}/128"))
            dao = rpl.Dao(rpl_instance_id=0, sequence=place, options=(target, transit))
            old = number == OLD_NODE
            rank = 256 * (1 + len(way_up(number)))
            option = routing.hop_by_hop_of(Rpi(0, rank), 0x63) if old else b""
            datagram = control(bridge_ip(number), bridge_ip(1), dao, 64, option=option)
            fault = "rpl-option-not-as-announced" if old else ""
            self.up(15.0 + 5 * place, number, datagram, fault=fault)

    def strangers(self) -> None:
        """Plant what does not follow the frame format."""
        air, root, spare = self.air, bridge_link(1), bridge_link(SPARE_NODE)
        pan = air.design.link.pan_id
        scan = Mac(FrameType.COMMAND, 0, 77, 0xFFFF, BROADCAST)
        for at in (850.0, 3850.0):  # bit 8 of the frame control: the sequence number is suppressed
            air.sent.append(
                Sent(
                    at, scan, b"\x07", fault="sequence-suppression-misused", numbered=False,
                    alter=lambda octets: octets[:1] + bytes([octets[1] | 1]) + octets[2:],
                )
            )  # fmt: skip
        for index in range(3):
            data = self.features(index, 1803.0 + 600 * index)
            datagram = packet(bridge_ip(SPARE_NODE), bridge_ip(1), (0xF0B1, 0xF0B2), data)
            # by the rule of 2006 the bit leaves out the source's PAN ID alone; in version 2 it leaves out both
            changes = {
                "version": 1, "pan_id_compression": True, "security": None, "ack_request": False,
                "destination_pan": pan,
            }  # fmt: skip
            air.datagram(
                1803.0 + 600 * index, spare, root, datagram, mac=changes, tally=(),
                fault="pan-id-rule-of-other-version security-not-as-planned",
                alter=lambda octets: octets[:1] + bytes([octets[1] & 0xCF | 0x20]) + octets[2:],
            )  # fmt: skip
        correction = elements.header_ie(TIME_CORRECTION, time_correction=12)
        data = self.features(9, 4300.0)
        datagram = packet(bridge_ip(0x13), bridge_ip(1), (0xF0B1, 0xF0B2), data)
        air.datagram(
            4300.0, bridge_link(0x13), bridge_link(0x11), datagram, unended=True, tally=(),
            mac={"header_ies": (correction,), "ie_present": True, "ack_request": False},
            fault="header-elements-unreadable",
        )  # fmt: skip


def footbridge() -> Air:
    """Return the capture at the footbridge."""
    bridge = Footbridge()
    bridge.network()
    bridge.reports()
    bridge.snapshots()
    bridge.blocks()
    bridge.commands()
    bridge.strangers()
    bridge.air.settle()
    return bridge.air
