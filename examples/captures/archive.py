"""The gateway of the archive for four hours."""

import random
import struct
from dataclasses import replace
from decimal import Decimal
from ipaddress import IPv6Address
from typing import Any

from captures.air import (
    ALL_NODES,
    LINK_LOCAL,
    START_S,
    WITH_FCS,
    Air,
    Sent,
    control,
    local,
    packet,
    with_limit,
)
from lowpanbudget import Env, compress
from lowpanbudget.bits import Writer
from lowpanbudget.env import interface_identifier, old_interface_identifier
from lowpanbudget.layers.internet.coap import message as coap
from lowpanbudget.layers.internet.coap.options import CoapOption
from lowpanbudget.layers.internet.nd import messages as nd
from lowpanbudget.layers.internet.nd.lowpan_options import AuthoritativeBorderRouter, ContextOption
from lowpanbudget.layers.internet.nd.options import SourceLinkLayerAddress
from lowpanbudget.layers.link.mac import BROADCAST, FrameType

ALL_ROUTERS = IPv6Address("ff02::2")
GATEWAY, JOINER = b"\x00\x00", bytes.fromhex("025e200000000140")
SOUND = {0x0101: 0, 0x0102: 0, 0x0103: 0x0101, 0x0104: 0x0102, 0x0111: 0, 0x0112: 0}
OLD_RULE, OPEN, PLAIN_COAP, OLD_CONTEXT, LONG_PORTS, COMPRESSED_SIZE = range(0x0121, 0x0127)
OFFICE, CONSERVATOR = IPv6Address("2001:db8:a2c4:1::5"), IPv6Address("2001:db8:bead::77")
CLIMATE_PORTS = 0xF0B3, 0xF0B4


def short(number: int) -> bytes:
    """Return a short address."""
    return number.to_bytes(2, "big")


def archive_ip(number: int) -> IPv6Address:
    """Return the address of a node of the archive."""
    prefix = int(IPv6Address("2001:db8:a2c4::"))
    return IPv6Address(prefix | (interface_identifier(short(number)) or 0))


class Archive:
    """The traffic of the archive."""

    def __init__(self) -> None:
        self.air = Air("archive", WITH_FCS)
        self.random = random.Random(44)  # noqa: S311  # the same each time is what is wanted

    def climate(self, sequence: int, number: int) -> bytes:
        """Return a report of a cold room."""
        message, chance = self.air.design.message("climate"), self.random
        return message.pack(
            {
                **message.example("typical"),
                "sequence": sequence,
                "temperature": Decimal(-1825 + number % 16 * 3 + chance.randrange(-15, 15)) / 100,
                "humidity": Decimal(3600 + chance.randrange(-150, 150)) / 100,
                "co2": 460 + chance.randrange(60),
            }
        )

    def up(self, at_s: float, number: int, datagram: bytes, **more: Any) -> None:
        """Send a datagram over all hops to the gateway."""
        passed = 0
        while number:
            parent = SOUND.get(number, 0)
            self.air.datagram(
                at_s + 0.03 * passed, short(number), short(parent), with_limit(datagram, passed),
                **more,
            )  # fmt: skip
            number, passed = parent, passed + 1

    def reports(self) -> None:
        """Send reports every half hour."""
        for place, number in enumerate((*SOUND, OLD_RULE, OPEN, OLD_CONTEXT, LONG_PORTS)):
            for index in range(8):
                at = 60.0 + 100 * place + 1800 * index + self.random.random()
                data = self.climate(index, number)
                source = archive_ip(number)
                datagram = packet(source, OFFICE, CLIMATE_PORTS, data)
                if number == OLD_RULE:
                    pan = self.air.design.link.pan_id
                    old = old_interface_identifier(pan, short(number))
                    meant = IPv6Address(int(source) >> 64 << 64 | old)
                    datagram = packet(source, OFFICE, CLIMATE_PORTS, data, summed=(meant, OFFICE))
                    self.up(at, number, datagram, fault="identifier-by-old-rule")
                elif number == OLD_CONTEXT:
                    office = IPv6Address("2001:db8:a2c4::5")
                    contexts = {0: "2001:db8:a2c4::/64", 1: f"{office}/128"}
                    datagram = packet(source, office, CLIMATE_PORTS, data)
                    self.up(at, number, datagram, contexts=contexts, fault="context-table-differs")
                elif number == OPEN:
                    env = Env(short(number), GATEWAY, contexts=self.air.design.contexts)
                    payload = compress(datagram, env, elide_udp_checksum=True).octets
                    self.air.frame(
                        at, short(number), GATEWAY, payload, mac={"security": None},
                        fault="security-not-as-planned checksum-elided-without-cover",
                        tally=("datagrams",),
                    )  # fmt: skip
                elif number == LONG_PORTS:
                    env = Env(short(number), GATEWAY, contexts=self.air.design.contexts)
                    payload = compress(datagram, env).octets
                    ports = b"\xf0" + b"".join(port.to_bytes(2, "big") for port in CLIMATE_PORTS)
                    payload = payload.replace(b"\xf3\x34", ports, 1)
                    self.air.frame(
                        at, short(number), GATEWAY, payload, tally=("datagrams",),
                        fault="ports-not-shortest longer-than-budgeted",
                    )  # fmt: skip
                else:
                    retries = (0.012,) if place < 4 and (place + index) % 7 == 5 else ()
                    self.up(at, number, datagram, retries=retries)
        self.air.restarts[short(0x0102)] = 7000.0

    def batches(self) -> None:
        """Send batches that take more than one frame: one under a single counter, one with compressed sizes."""
        message = self.air.design.message("climate_batch")
        start = START_S - 86400
        readings = [
            {
                "at": start + 1800 * index,
                "temperature": Decimal(-1800 + self.random.randrange(40)) / 100,
                "humidity": Decimal(360 + self.random.randrange(20)) / 10,
            }
            for index in range(40)
        ]
        values = {
            **message.example("typical"),
            "clock_set": True,
            "time": start,
            "reading": readings,
        }
        data = message.pack(values)
        self.air.datagram(
            5000.0, short(0x0112), GATEWAY, packet(archive_ip(0x0112), OFFICE, CLIMATE_PORTS, data),
            hold=True, fault="frame-counter-used-twice fragments-not-planned",
        )  # fmt: skip
        self.air.sent[-1].hold = False
        datagram = packet(archive_ip(COMPRESSED_SIZE), OFFICE, CLIMATE_PORTS, data)
        link = short(COMPRESSED_SIZE)
        env = Env(link, GATEWAY, contexts=self.air.design.contexts)
        packed = compress(datagram, env).octets
        room = self.air.design.link.room(link, GATEWAY) // 8 * 8 - 8
        # the second overlaps what the first stands for, and a receiver begins anew with the third
        faults = (
            "datagram-size-too-small fragment-offset-wrong", "datagram-size-too-small", "",
        )  # fmt: skip
        for at in range(0, len(packed), room):
            # FRAG1 and FRAGN of RFC 4944 section 5.3, with the size of what is sent
            head = struct.pack(">HH", (0xE000 if at else 0xC000) | len(packed), 3)
            head += bytes([at // 8]) if at else b""
            self.air.frame(
                5400.0 + at / 1000, link, GATEWAY, head + packed[at : at + room],
                fault=faults[at // room], tally=("fragments",),
            )  # fmt: skip

    def flows(self) -> None:
        """Send what the other flows carry: alarms, readings under DTLS, a label."""
        air = self.air
        alarm = air.design.message("door_alarm")
        for index, is_open in enumerate((True, False)):
            values = {**alarm.example("typical"), "door": "vault", "open": is_open, "light": 320}
            datagram = packet(
                archive_ip(0x0104), CONSERVATOR, (61000, 7004), alarm.pack(values), 32
            )
            self.up(4000.0 + 45 * index, 0x0104, datagram)
        flow = air.design.flow("reading")
        assert flow.application.dtls is not None
        for index in range(5):
            dtls = replace(flow.application.dtls, sequence=index)
            application = replace(flow.application, dtls=dtls)
            data = bytes(application.write(self.climate(index, 0x0104)).data)
            datagram = packet(archive_ip(0x0104), CONSERVATOR, (5684, 61617), data)
            self.up(2500.0 + 2400 * index, 0x0104, datagram)
        label = air.design.message("label")
        values = {
            "room": "cold room 3", "build": {"major": 2, "minor": 17}, "calibration": 1.5,
        }  # fmt: skip
        datagram = packet(OFFICE, archive_ip(0x0104), (0xF0B4, 0xF0B3), label.pack(values), 63)
        for passed, (start, end) in enumerate(((0, 0x0102), (0x0102, 0x0104))):
            air.datagram(
                3100.0 + 0.03 * passed, short(start), short(end), with_limit(datagram, passed)
            )

    def notifications(self) -> None:
        """Send CoAP that nothing protects end to end: floats of 64 bits, an Observe counter too long, no Max-Age."""
        for index in range(6):
            too_long = index >= 4
            observe = CoapOption(6, (0xFFFFFC + index).to_bytes(3 + too_long, "big"))
            celsius = struct.pack(">d", -18.25 + index / 4)
            message = coap.CoapMessage(
                1, 69, 0x3000 + index, b"\x51\x0a", (observe, CoapOption.of("Content-Format", 60)),
                b"\xa1\x61t\xfb" + celsius,
            )  # fmt: skip
            writer = Writer()
            coap.encode(writer, message)
            datagram = packet(
                archive_ip(PLAIN_COAP), CONSERVATOR, (5683, 61618), bytes(writer.data)
            )
            fault = "float-wider-than-needed" + " coap-message-forbidden" * too_long
            fault += " notification-stale" * (
                index > 0
            )  # without a Max-Age the one before is fresh for a minute
            self.up(1000.0 + 1700 * index, PLAIN_COAP, datagram, fault=fault)

    def network(self) -> None:
        """Send advertisements, solicitations of a node that joins, polls; damage two frames."""
        air = self.air
        contexts = tuple(
            ContextOption(cid=number, prefix=context.prefix, valid_lifetime=600)
            for number, context in air.design.contexts.items()
        )
        border = AuthoritativeBorderRouter(
            version=1, border_router=archive_ip(0), valid_lifetime=600
        )
        for at in (10.0, 7210.0):
            message = nd.RouterAdvertisement(
                cur_hop_limit=64, router_lifetime=3600, options=(*contexts, border)
            )
            air.datagram(at, GATEWAY, BROADCAST, control(local(GATEWAY), ALL_NODES, message))
        iid = int.from_bytes(JOINER, "big")  # its universal/local bit as it is, not inverted
        meant = IPv6Address(LINK_LOCAL | iid)
        for at in (6000.0, 6010.0):
            solicitation = nd.RouterSolicitation(options=(SourceLinkLayerAddress(address=JOINER),))
            datagram = control(local(JOINER), ALL_ROUTERS, solicitation, summed=meant)
            air.datagram(at, JOINER, BROADCAST, datagram, fault="universal-local-bit-wrong")
        for number in (0x0111, 0x0112):
            header = replace(
                air.design.link.mac(short(number), GATEWAY), frame_type=FrameType.COMMAND
            )
            twice = number == 0x0111
            if twice:
                pan = air.design.link.pan_id
                header = replace(header, source_pan=pan, pan_id_compression=False)
            for index in range(24):
                air.sent.append(
                    Sent(
                        300.0 + 570 * index + number / 10, header, b"\x04",
                        fault="pan-id-carried-twice" if twice else "",
                    )
                )  # fmt: skip
        for at in (3333.0, 9999.0):
            datagram = packet(archive_ip(0x0111), OFFICE, CLIMATE_PORTS, self.climate(99, 0x0111))
            air.datagram(
                at, short(0x0111), GATEWAY, datagram, tally=("damaged",),
                damage=lambda octets: octets[:20] + bytes([octets[20] ^ 0x40]) + octets[21:],
                fault="check-sequence-wrong",
            )  # fmt: skip


def archive() -> Air:
    """Return the capture at the archive."""
    made = Archive()
    made.network()
    made.reports()
    made.batches()
    made.flows()
    made.notifications()
    made.air.settle()
    return made.air
