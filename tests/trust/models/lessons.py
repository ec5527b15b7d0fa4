"""What a trace must have learned, and when, as a model: tables that are written by hand from what the frames say.

Contexts and their times: RFC 6775 sections 4.2, 5.4.2 and 5.4.3. The root: the DODAGID (RFC 6550 section 6.3.1). The
type of the RPL option: RFC 9008 section 4.1.3. Devices: association and realignment (IEEE 802.15.4-2006 clauses 7.3.2
and 7.3.8, from memory), an identifier made of an EUI-64 (RFC 4291 appendix A), a registration (RFC 6775 section 4.1).
"""

from collections.abc import Callable
from dataclasses import dataclass
from ipaddress import IPv6Address, IPv6Network
from typing import NamedTuple

from contract.air import checksum
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, rule

from lowpanbudget import Record
from lowpanbudget.capture.follow.tracing import Trace

SECOND = 10**9
WITH_FCS = 195  # link type of frames with their FCS
PAN = 0xABCD
EUIS = [
    bytes.fromhex("00005eef100000") + bytes([n]) for n in range(1, 4)
]  # RFC 7042: for documentation
LOCAL = bytes.fromhex("fe80000000000000")
ALL_NODES = IPv6Address("ff02::1").packed
PREFIXES = [
    IPv6Network(text)
    for text in ("2001:db8::/64", "2001:db8:1::/48", "2001:db8:2::9/128", "2001:db8:3::/64")
]
ROOTS = [IPv6Address("2001:db8::1"), IPv6Address("2001:db8:9::1")]
OLD, NEW = 0x63, 0x23


def fcs(octets: bytes) -> bytes:
    """Return the check sequence: x^16 + x^12 + x^5 + 1, least significant bit first (IEEE 802.15.4, from memory)."""
    register = 0
    for octet in octets:
        register ^= octet
        for _ in range(8):
            register = register >> 1 ^ (0x8408 if register & 1 else 0)
    return register.to_bytes(2, "little")


def mac(kind: int, sequence: int, destination: bytes, source: bytes) -> bytes:
    """Return a header of version 1 in one PAN (2006 edition, clause 7.2.1, from memory)."""
    modes = (3 if len(destination) == 8 else 2) << 10 | (3 if len(source) == 8 else 2) << 14
    control = kind | 1 << 6 | 1 << 12 | modes
    return (
        control.to_bytes(2, "little")
        + bytes([sequence])
        + PAN.to_bytes(2, "little")
        + destination[::-1]
        + source[::-1]
    )


def icmpv6(source: bytes, destination: bytes, message: bytes, *, right: bool) -> bytes:
    """Return an IPv6 packet with an ICMPv6 message, its checksum right or not."""
    total = checksum(IPv6Address(source), IPv6Address(destination), 58, message) ^ (not right)
    message = message[:2] + total.to_bytes(2, "big") + message[4:]
    head = b"\x60\0\0\0" + len(message).to_bytes(2, "big") + bytes([58, 255])
    return head + source + destination + message


def eui_identifier(eui: bytes) -> bytes:
    return bytes([eui[0] ^ 2]) + eui[1:]


class Announced(NamedTuple):
    """A 6LoWPAN context option: figure 1 of RFC 6775."""

    cid: int
    prefix: IPv6Network
    compress: bool
    minutes: int

    def option(self) -> bytes:
        long = self.prefix.prefixlen > 64
        head = bytes([34, 3 if long else 2, self.prefix.prefixlen, self.compress << 4 | self.cid])
        return (
            head
            + b"\0\0"
            + self.minutes.to_bytes(2, "big")
            + self.prefix.network_address.packed[: 16 if long else 8]
        )


@dataclass
class Known:
    """A context as the host of section 5.4.2 would hold it."""

    prefix: IPv6Network
    compress: bool
    valid_until: int
    kept_until: int
    announcer: bytes

    def renew(self, other: "Known") -> None:
        """Let it hold as long as another router says of the same (RFC 6775 section 7.2), never for less."""
        self.compress = self.compress or other.compress
        self.valid_until = max(self.valid_until, other.valid_until)
        self.kept_until = max(self.kept_until, other.kept_until)


class Model:
    """The tables of what was learned; what was given comes first."""

    def __init__(
        self,
        contexts: dict[int, IPv6Network],
        devices: dict[int, bytes],
        root: IPv6Address | None,
        rpi_type: int | None,
    ) -> None:
        self.given_contexts, self.given_devices = contexts, devices
        self.given_root, self.given_type = root, rpi_type
        self.contexts: dict[int, Known] = {}
        self.devices: dict[tuple[int, int], bytes] = {}
        self.guessed: set[tuple[int, int]] = set()  # those that an identifier alone tells
        self.root, self.rpi_type = root, rpi_type or OLD
        self.parents: set[bytes] = set()  # who announced this root
        self.notices: list[str] = []

    def pass_to(self, time_ns: int) -> None:
        """Let time go on: at its end an entry is receive-only, and gone after twice the router lifetime more."""
        self.notices = []
        self.contexts = {
            cid: one for cid, one in self.contexts.items() if one.kept_until >= time_ns
        }
        for one in self.contexts.values():
            one.compress = one.compress and one.valid_until >= time_ns

    def announce(
        self, source: bytes, options: list[Announced], router_lifetime_s: int, time_ns: int
    ) -> None:
        """Learn contexts; its announcer alone changes or withdraws one that compresses, the package's own rule."""
        for one in options:
            given, known = self.given_contexts.get(one.cid), self.contexts.get(one.cid)
            valid = time_ns + 60 * one.minutes * SECOND
            kept = valid + 2 * router_lifetime_s * SECOND
            new = Known(one.prefix, one.compress, valid, kept, source)
            if given is not None:
                if given != one.prefix and one.minutes:
                    self.notices.append("context-differs")
            elif (
                known is not None
                and known.announcer != source
                and one.minutes
                and known.prefix == one.prefix
            ):
                known.renew(new)
            elif known is not None and known.announcer != source and known.compress:
                pass
            elif one.minutes == 0:
                self.contexts.pop(one.cid, None)
            else:
                self.contexts[one.cid] = new

    def device(self, pan: int, short: int, eui: bytes, *, guess: bool = False) -> None:
        """A short address is said to be a device; what is read out of an identifier says nothing against another.

        It need not be made of an EUI-64 (RFC 7136, from memory).
        """
        if short >= 0xFFFE:
            return
        place = pan, short
        known = self.given_devices.get(short, self.devices.get(place, eui))
        if guess and known != eui:
            return
        if self.given_devices.get(short, eui) != eui:
            self.notices.append("device-differs")
        elif short not in self.given_devices:
            if known != eui and place not in self.guessed:
                self.notices.append("device-changed")
            if not guess:
                self.guessed.discard(place)
            elif place not in self.devices:
                self.guessed.add(place)
            self.devices[place] = eui

    def join(self, source: bytes, root: IPv6Address, rpi_type: int | None) -> None:
        """Learn the root; another one of those alone who announced the one before, the package's own rule."""
        if self.given_root is None and root != self.root:
            if self.root is not None and source not in self.parents:
                return
            self.root, self.parents = root, set()
        self.parents.add(source)
        if rpi_type is not None and self.given_type is None:
            self.rpi_type = rpi_type

    def prefix(self, cid: int) -> IPv6Network | None:
        return self.given_contexts.get(cid) or (
            self.contexts[cid].prefix if cid in self.contexts else None
        )


short_addresses = st.integers(1, 3)
announced = st.builds(
    Announced,
    st.integers(0, 2),
    st.sampled_from(PREFIXES),
    st.booleans(),
    st.sampled_from([0, 1, 1, 10]),
)


class Lessons(RuleBasedStateMachine):
    """Frames that teach, frames that look so and must not, frames that are read with what was taught; time passes."""

    steps = 0

    @initialize(
        contexts=st.sampled_from([{}, {1: PREFIXES[3]}]), devices=st.sampled_from([{}, {2: EUIS[0]}]),
        root=st.sampled_from([None, None, ROOTS[1]]), rpi_type=st.sampled_from([None, None, OLD, NEW]),
    )  # fmt: skip
    def begin(
        self,
        contexts: dict[int, IPv6Network],
        devices: dict[int, bytes],
        root: IPv6Address | None,
        rpi_type: int | None,
    ) -> None:
        self.time_ns, self.number = 10**18, 0
        self.model = Model(contexts, devices, root, rpi_type)
        self.trace = Trace(
            contexts=contexts, devices=dict(devices), root=root, rpi_type=rpi_type, fcs=2
        )

    def hear(self, frame: bytes, *, intact: bool = True) -> bytes | None:
        """Give a frame to the trace; return the datagram that it brings."""
        Lessons.steps += 1
        check = fcs(frame)
        octets = frame + (check if intact else bytes([check[0] ^ 0x10, check[1]]))
        sighting = self.trace.feed(Record(self.number, self.time_ns, WITH_FCS, octets, len(octets)))
        about = ("context-differs", "device-differs", "device-changed")
        assert [
            notice.name for notice in sighting.notices if notice.name in about
        ] == self.model.notices
        return sighting.datagram

    def turn(self) -> int:
        """Begin with the next frame, a nanosecond later; return its sequence number."""
        self.number += 1
        self.time_ns += 1
        self.model.pass_to(self.time_ns)
        return self.number % 256

    def agree(self) -> None:
        knowledge = self.trace.knowledge
        assert (knowledge.root, knowledge.rpi_type) == (self.model.root, self.model.rpi_type)
        found = {
            one.cid: (one.context.prefix, one.context.may_compress)
            for one in self.trace.learned_contexts
        }
        assert found == {
            cid: (one.prefix, one.compress) for cid, one in self.model.contexts.items()
        }
        kept = {one.cid: one.until_ns for one in self.trace.learned_contexts}
        assert kept == {cid: one.kept_until for cid, one in self.model.contexts.items()}
        assert {
            (one.pan, one.short): one.eui64 for one in self.trace.learned_devices
        } == self.model.devices

    def sent(
        self,
        link: bytes,
        packet: bytes,
        form: str,
        teach: Callable[[], None] | None,
        *,
        intact: bool = True,
    ) -> None:
        """Hear a packet to all nodes, uncompressed, in fragments or behind a mesh header."""
        sequence = self.turn()
        to = b"\xff\xff"
        parts = [b"\x41" + packet]
        if form == "mesh":
            parts = [b"\xb5" + link + to + b"\x41" + packet] if len(link) == 2 else parts
        if form == "fragments":
            size, tag = len(packet).to_bytes(2, "big"), self.number.to_bytes(2, "big")
            first = bytes([0xC0 | size[0], size[1]]) + tag + b"\x41" + packet[:48]
            parts = [first, bytes([0xE0 | size[0], size[1]]) + tag + b"\x06" + packet[48:]]
        source = packet[8:24]
        of_eui = source[:8] == LOCAL and source[8] & 2 and len(link) == 2 and form != "mesh"
        brought = None
        for n, part in enumerate(parts):
            if n:
                sequence = self.turn()
            if intact and of_eui and n == 0:
                eui = eui_identifier(source[8:])
                self.model.device(PAN, int.from_bytes(link, "big"), eui, guess=True)
            if intact and teach and n == len(parts) - 1:
                teach()
            brought = self.hear(mac(1, sequence, to, link) + part, intact=intact)
        assert brought == (packet if intact else None)
        self.agree()

    def source_of(self, own: int, link_form: int) -> tuple[bytes, bytes]:
        """Return link address and IPv6 source of a node: link-local, of its EUI-64 or of its short address."""
        short = own.to_bytes(2, "big")
        link = EUIS[own - 1] if link_form == 0 else short
        identifier = (
            eui_identifier(EUIS[own - 1])
            if link_form < 2
            else bytes.fromhex("000000fffe00") + short
        )
        return link, LOCAL + identifier

    forms = st.sampled_from(["whole", "whole", "fragments", "mesh"])

    @rule(
        own=short_addresses, link_form=st.integers(0, 2), options=st.lists(announced, max_size=3),
        lifetime_s=st.sampled_from([0, 30, 600]), form=forms, right=st.sampled_from([True, True, False]),
        intact=st.sampled_from([True, True, False]),
    )  # fmt: skip
    def router_advertises(
        self,
        own: int,
        link_form: int,
        options: list[Announced],
        lifetime_s: int,
        form: str,
        right: bool,
        intact: bool,
    ) -> None:
        link, source = self.source_of(own, link_form)
        message = bytes([134, 0, 0, 0, 64, 0]) + lifetime_s.to_bytes(2, "big") + bytes(8)
        message += b"".join(one.option() for one in options)
        packet = icmpv6(source, ALL_NODES, message, right=right)

        def teach() -> None:
            self.model.announce(source, options, lifetime_s, self.time_ns)

        self.sent(link, packet, form, teach if right else None, intact=intact)

    @rule(
        own=short_addresses, link_form=st.integers(0, 2), root=st.sampled_from(ROOTS), mode=st.sampled_from([1, 2, 7]),
        flag=st.sampled_from([None, 0, 1]), form=forms, right=st.sampled_from([True, True, False]),
        intact=st.sampled_from([True, True, False]),
    )  # fmt: skip
    def dodag_is_announced(
        self,
        own: int,
        link_form: int,
        root: IPv6Address,
        mode: int,
        flag: int | None,
        form: str,
        right: bool,
        intact: bool,
    ) -> None:
        """Send a DIO (RFC 6550 figure 14), with a DODAG Configuration option (figure 24) or without."""
        link, source = self.source_of(own, link_form)
        message = bytes([155, 1, 0, 0, 0, 240, 1, 0, mode << 3, 0, 0, 0]) + root.packed
        rpi_type = None
        if flag is not None:
            # Flags are the first four bits: bit 3 of them is "RPI 0x23 enable"
            message += bytes([4, 14, flag << 4, 20, 3, 10, 8, 0, 1, 0, 0, 1, 0, 30, 0, 60])
            rpi_type = NEW if flag or mode == 7 else OLD
        packet = icmpv6(source, ALL_NODES, message, right=right)

        def teach() -> None:
            self.model.join(source, root, rpi_type)

        self.sent(link, packet, form, teach if right else None, intact=intact)

    @rule(
        own=short_addresses,
        of=short_addresses,
        form=forms,
        right=st.sampled_from([True, True, False]),
    )
    def node_registers(self, own: int, of: int, form: str, right: bool) -> None:
        """Send a neighbor solicitation with an address registration option (RFC 6775 figure 2) from a short address."""
        link, source = self.source_of(own, 2)
        message = (
            bytes([135, 0, 0, 0, 0, 0, 0, 0])
            + source
            + bytes([33, 2, 0, 0, 0, 0, 0, 5])
            + EUIS[of - 1]
        )

        def teach() -> None:
            self.model.device(PAN, own, EUIS[of - 1])

        packet = icmpv6(source, ALL_NODES, message, right=right)
        whole = "whole" if form == "fragments" else form
        self.sent(link, packet, whole, teach if right and form != "mesh" else None)

    @rule(
        short=st.sampled_from([1, 2, 3, 0xFFFE, 0xFFFF]), of=short_addresses,
        status=st.sampled_from([0, 0, 1, 2, 0x80]), intact=st.booleans(),
    )  # fmt: skip
    def association_is_answered(self, short: int, of: int, status: int, intact: bool) -> None:
        sequence = self.turn()
        if intact and status in (0, 0x80):
            self.model.device(PAN, short, EUIS[of - 1])
        command = b"\2" + short.to_bytes(2, "little") + bytes([status])
        self.hear(
            mac(3, sequence, EUIS[of - 1], bytes.fromhex("00005eef100000ff")) + command,
            intact=intact,
        )
        self.agree()

    @rule(
        coordinator=st.sampled_from([1, 0xFFFF]), short=st.sampled_from([2, 3, 0xFFFF]), of=short_addresses,
        pan=st.sampled_from([PAN, 0x1234]), to_one=st.booleans(),
    )  # fmt: skip
    def coordinator_realigns(
        self, coordinator: int, short: int, of: int, pan: int, to_one: bool
    ) -> None:
        sequence = self.turn()
        if to_one:
            self.model.device(pan, short, EUIS[of - 1])
        self.model.device(pan, coordinator, EUIS[0])
        words = [
            pan.to_bytes(2, "little"),
            coordinator.to_bytes(2, "little"),
            b"\x0b",
            short.to_bytes(2, "little"),
        ]
        to = EUIS[of - 1] if to_one else b"\xff\xff"
        self.hear(mac(3, sequence, to, EUIS[0]) + b"\x08" + b"".join(words))
        self.agree()

    @rule(gap=st.sampled_from([1, 29, 60, 61, 119, 600, 1300]))
    def wait(self, gap: int) -> None:
        self.time_ns += gap * SECOND

    @rule(cid=st.integers(0, 2), own=short_addresses)
    def context_is_used(self, cid: int, own: int) -> None:
        """Send an IPHC header whose source has a context and 64 bits in line: known means read."""
        sequence = self.turn()
        identifier, destination = self.number.to_bytes(8, "big"), ROOTS[1].packed
        # TF 11, NH 0, HLIM 10; CID 1, SAC 1, SAM 01, M 0, DAC 0, DAM 00
        payload = bytes([0x7A, 0xD0, cid << 4, 59]) + identifier + destination
        prefix, expected = self.model.prefix(cid), None
        if prefix is not None:
            bits = int(prefix.network_address) | int.from_bytes(identifier, "big") & int(
                prefix.hostmask
            )
            expected = bytes.fromhex("6000000000003b40") + bits.to_bytes(16, "big") + destination
        assert self.hear(mac(1, sequence, b"\0\x09", own.to_bytes(2, "big")) + payload) == expected
        self.agree()

    @rule(own=short_addresses)
    def root_is_elided(self, own: int) -> None:
        """Send what the root encapsulated (RFC 8138 section 7): its address and the option's type were learned."""
        sequence = self.turn()
        ends = (
            PREFIXES[3].network_address.packed[:8]
            + self.number.to_bytes(8, "big")
            + ROOTS[1].packed
        )
        # page 1; RPI: O, instance 0, rank 0x0100; IP-in-IP: hop limit 9; IPHC with both addresses in line
        payload = bytes.fromhex("f1 93 05 01 a1 06 09 7a 00 3b") + ends
        expected = None
        if self.model.root is not None:
            inner = bytes.fromhex("6000000000003b40") + ends
            options = bytes([41, 0, self.model.rpi_type, 4, 0x80, 0, 1, 0])
            head = b"\x60\0\0\0" + (len(options) + len(inner)).to_bytes(2, "big") + bytes([0, 9])
            expected = head + self.model.root.packed + ends[16:] + options + inner
        assert self.hear(mac(1, sequence, b"\0\x09", own.to_bytes(2, "big")) + payload) == expected
        self.agree()
