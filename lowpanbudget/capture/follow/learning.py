"""What a trace learns from the air: which EUI-64 has which short address, compression contexts, the RPL root."""

from collections.abc import Iterator
from ipaddress import IPv6Address
from typing import NamedTuple

from lowpanbudget.capture.follow.context_moves import ContextMoves
from lowpanbudget.capture.follow.device_lessons import device_lessons
from lowpanbudget.capture.follow.devices import Device, LearnedDevices
from lowpanbudget.capture.recent import Recent
from lowpanbudget.cites import rfc
from lowpanbudget.env import Context, Contexts, GoneContext
from lowpanbudget.fields import Packet
from lowpanbudget.layers.internet import rpi
from lowpanbudget.layers.internet.icmpv6 import Icmpv6
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.internet.nd import messages as nd
from lowpanbudget.layers.internet.nd.lowpan_options import AuthoritativeBorderRouter, ContextOption
from lowpanbudget.layers.internet.rpl.messages import Dio
from lowpanbudget.layers.internet.rpl.options import DodagConfiguration
from lowpanbudget.layers.link.nonces import Devices
from lowpanbudget.layers.link.security import Key
from lowpanbudget.stack.applications import REGISTERED, Applications
from lowpanbudget.stack.decoder import Decoder
from lowpanbudget.stack.frame import Frame
from lowpanbudget.stack.incoming import Notice
from lowpanbudget.values import dataclass, field, replace

MOST_PARENTS = 256  # who announced the root
_MOP_OF_NEW_TYPE = 7
SECOND = 10**9


class BorderVersion(NamedTuple):
    """The border router whose contexts an advertisement brings, by whichever router, and their version.

    "If the version number received in the packet is less than the stored version number, then the information in the RA
    is silently ignored. Otherwise, the recorded information and version number are updated" (RFC 6775 section 8.1.3).
    """

    border: IPv6Address
    version: int

    def is_newer_than(self, other: "BorderVersion | None") -> bool:
        """Return whether it is a later version of the same border router."""
        return other is not None and self.border == other.border and self.version > other.version


def border_version(advertisement: nd.RouterAdvertisement) -> BorderVersion | None:
    """Return what an advertisement says of this; None where it comes without."""
    options = (o for o in advertisement.options if isinstance(o, AuthoritativeBorderRouter))
    option = next(options, None)
    return None if option is None else BorderVersion(option.border_router, option.version)


class Lesson(NamedTuple):
    """What one frame teaches, and the address of who says so of contexts and root."""

    source: IPv6Address | None = None
    devices: tuple[Device, ...] = ()
    contexts: tuple[ContextOption, ...] = ()
    router_lifetime_s: int = 0
    root: IPv6Address | None = None
    rpi_type: int | None = None
    border: BorderVersion | None = None

    @property
    def of_network(self) -> bool:
        """Return whether it tells something of its network, and not of devices alone."""
        return bool(self.contexts) or self.root is not None or self.rpi_type is not None


@dataclass(frozen=True, slots=True)
class LearnedContext:
    """A context seen on the air: its id ``cid``, what it says, and the ``number`` of the frame that said it last.

    It expands until ``until_ns``, in the capture's nanoseconds, and compresses until ``compresses_until_ns``, its
    ``context`` no longer than that; None where no times are known.
    """

    cid: int
    context: Context
    number: int
    until_ns: int | None
    compresses_until_ns: int | None = None

    @property
    def ends_ns(self) -> Iterator[int]:
        """Yield the times at which it changes."""
        if self.until_ns is not None:
            yield self.until_ns
        if self.compresses_until_ns is not None and self.context.may_compress:
            yield self.compresses_until_ns

    def renewed(
        self, context: Context, number: int, until_ns: int | None, compresses_until_ns: int | None
    ) -> "LearnedContext":
        """Return it as another router, which says the same of it, lets it hold for longer, never for less."""
        return LearnedContext(
            self.cid, self.context if self.context.may_compress else context, number,
            _later(self.until_ns, until_ns), _later(self.compresses_until_ns, compresses_until_ns),
        )  # fmt: skip

    def at(self, time_ns: int) -> "LearnedContext | None":
        """Return what is left of it at a time.

        "When the Valid Lifetime for a context table entry expires, the entry is placed in a receive-only mode, which is
        the equivalent of receiving a 6CO for that context with C=0" (RFC 6775 section 5.4.3).
        """
        if self.until_ns is not None and self.until_ns < time_ns:
            return None
        if all(time_ns <= end for end in self.ends_ns):
            return self
        return replace(self, context=Context(self.context.prefix, may_compress=False))


def _later(one: int | None, other: int | None) -> int | None:
    return None if one is None or other is None else max(one, other)


def lesson_of(frame: Frame) -> Lesson | None:
    """Return what a frame teaches, or None. A damaged frame teaches nothing."""
    mac = frame.mac
    if frame.fault is not None or (mac is not None and mac.fcs_ok is False):
        return None
    packet = frame.packet
    devices: list[Device] = []
    if mac is not None:
        devices += [*device_lessons(frame, mac)]
    taught = lesson_of_packet(packet)
    if not devices:
        return taught
    return (taught or Lesson())._replace(devices=tuple(devices))


def lesson_of_packet(packet: Packet) -> Lesson | None:
    """Return what the ICMPv6 message in a packet teaches, if its checksum is right."""
    message = packet.find(Icmpv6)
    if message is None or message.checksum_ok is not True:
        return None
    content = message.message
    if not isinstance(content, nd.RouterAdvertisement | Dio):
        return None
    header = packet.find(Ipv6)
    source = None if header is None else header.source
    if isinstance(content, nd.RouterAdvertisement):
        options = tuple(o for o in content.options if isinstance(o, ContextOption))
        if not options:
            return None
        border, lifetime_s = border_version(content), content.router_lifetime
        return Lesson(source, contexts=options, router_lifetime_s=lifetime_s, border=border)
    # RFC 6550 section 6.3.1: the DODAGID is an address of the root
    return Lesson(source, root=content.dodag_id, rpi_type=announced_rpi_type(content))


def announced_rpi_type(dio: Dio) -> int | None:
    """Return the type that a DIO announces for the RPL option, None where it does not configure the DODAG."""
    for option in dio.options:
        if isinstance(option, DodagConfiguration):
            # "For a MOP value of 7, a node MUST use the RPI 0x23 option" (RFC 9008 section 4.1.3)
            return rpi.NEW if option.rpi_0x23 or dio.mode == _MOP_OF_NEW_TYPE else rpi.OLD
    return None


@dataclass(slots=True)
class Knowledge:
    """What is configured, and what the air taught in its gaps.

    Configured entries win, those of devices until a frame opens with another.
    A context that holds is changed or withdrawn by the router that announced it first, or by one that brings a later
    version of the same border router; the root by those that announced the one before: what others say otherwise is
    noticed. Nothing proves who it was where frames are not
    secured. ``rpi_type_assumed``: nobody said yet which type the RPL option has. ``devices`` is the table for nonces;
    ``learned_devices`` says where its learned entries come from. ``applications`` are what ports carry.
    """

    configured: Contexts
    devices: Devices
    root: IPv6Address | None
    rpi_type: int
    applications: Applications = REGISTERED
    learned: dict[int, LearnedContext] = field(default_factory=dict)
    root_configured: bool = False
    rpi_type_configured: bool = False
    rpi_type_assumed: bool = False
    next_end_ns: int | None = None
    learned_devices: LearnedDevices = field(init=False)
    _announcers: dict[int, IPv6Address | None] = field(init=False, default_factory=dict)
    _borders: dict[int, BorderVersion | None] = field(init=False, default_factory=dict)
    _gone: dict[int, GoneContext] = field(init=False, default_factory=dict)
    _moves: ContextMoves = field(init=False, default_factory=ContextMoves)
    _parents: Recent[IPv6Address | None, bool] = field(init=False)

    def __post_init__(self) -> None:
        self.learned_devices = LearnedDevices(self.devices)
        self._parents = Recent(MOST_PARENTS)

    def untaught(self) -> "Knowledge":
        """Return what is known of another network: what is configured, and the same devices, which name their PAN."""
        root = self.root if self.root_configured else None
        other = replace(self, root=root, learned={}, next_end_ns=None)
        other.learned_devices = self.learned_devices
        return other

    def decoder(self, keys: tuple[Key, ...]) -> Decoder:
        """Return a decoder with what is known now."""
        return Decoder(
            self.contexts(), keys, self.devices, self.root, self.rpi_type, None, self.applications
        )

    def contexts(self) -> Contexts:
        """Return the contexts that hold now."""
        learned = {cid: entry.context for cid, entry in self.learned.items()}
        return Contexts({**learned, **self.configured}).after(self._gone)

    def expire(self, time_ns: int) -> bool:
        """Forget contexts whose time is over, or that they compress; return whether there were any."""
        left = {cid: entry.at(time_ns) for cid, entry in self.learned.items()}
        changed = left != self.learned
        for cid, entry in self.learned.items():
            if left[cid] is None:
                why = f"ran out: frame {entry.number} announced it last"
                self._gone[cid] = GoneContext(entry.context.prefix, why)
        self.learned = {cid: entry for cid, entry in left.items() if entry is not None}
        self._plan()
        return changed

    def learn(self, lesson: Lesson, number: int, time_ns: int | None) -> tuple[bool, list[Notice]]:
        """Take in what a frame teaches; return whether contexts, root or RPL option changed, and what to notice."""
        notices: list[Notice] = []
        for device in lesson.devices:
            notice = self.learned_devices.learn(device._replace(number=number))
            notices += [] if notice is None else [notice]
        changed = False
        for option in lesson.contexts:
            changed |= self._learn_context(option, lesson, number, time_ns, notices)
        if lesson.root is not None:
            changed |= self._learn_root(lesson)
        self._plan()
        return changed, notices

    def _learn_root(self, lesson: Lesson) -> bool:
        """Take in what a DIO tells; return whether root or RPL option changed."""
        before = self.root, self.rpi_type
        if not self.root_configured and lesson.root != self.root:
            if self.root is not None and lesson.source not in self._parents:
                return False  # a DODAG beside the one that is known
            self.root = lesson.root
            self._parents.clear()
        self._parents[lesson.source] = True
        # "A node that is decompressing this header MUST decompress using the RPI Option Type that is currently
        # active" (RFC 9008 section 4.3)
        if lesson.rpi_type is not None and not self.rpi_type_configured:
            self.rpi_type = lesson.rpi_type
            self.rpi_type_assumed = False
        return before != (self.root, self.rpi_type)

    def _learn_context(
        self,
        option: ContextOption,
        lesson: Lesson,
        number: int,
        time_ns: int | None,
        notices: list[Notice],
    ) -> bool:
        configured = self.configured.get(option.cid)
        if configured is not None:
            if configured.prefix != option.prefix and not option.removes:
                text = f"context {option.cid} is given as {configured.prefix}, and announced as {option.prefix}"
                notices.append(Notice("context-differs", text, rfc(6775, "4.2"), 0))
            return False
        known = self.learned.get(option.cid)
        valid = until = None
        if time_ns is not None:
            # "held in receive-only mode for a period of twice the default Router Lifetime" (RFC 6775 section 5.4.3)
            valid = time_ns + option.lifetime_s * SECOND
            until = valid + 2 * lesson.router_lifetime_s * SECOND
        border, by_first = lesson.border, self._announcers.get(option.cid) == lesson.source
        before = self._borders.get(option.cid)
        if border is not None and not by_first and before is not None:
            if before.is_newer_than(border):
                return False
            by_first = border.is_newer_than(before)
        if known is not None and not by_first:
            # routers say the same (RFC 6775 section 7.2), and "old values of a context SHOULD be taken out of use for
            # a while before new values are assigned"
            if not option.removes and option.prefix == known.context.prefix:
                renewed = self.learned[option.cid] = known.renewed(
                    option.context, number, until, valid
                )
                return renewed.context != known.context
            if known.context.may_compress:
                notices.append(self._disputed(known, option, lesson))
                return False
        self._borders[option.cid] = border
        if option.removes:
            if known is not None:
                self._moves.withdraw(option.cid, known.context, time_ns)
                why = f"was withdrawn in frame {number}"
                self._gone[option.cid] = GoneContext(known.context.prefix, why)
            return self.learned.pop(option.cid, None) is not None
        if known is not None:
            notices += self._moves.take(known.context, option, time_ns)
        elif by_first:
            notices += self._moves.begin(option, time_ns)
        if known is None or not by_first:
            self._announcers[option.cid] = lesson.source
        self.learned[option.cid] = LearnedContext(option.cid, option.context, number, until, valid)
        return known is None or known.context != option.context

    def _disputed(self, known: LearnedContext, option: ContextOption, lesson: Lesson) -> Notice:
        first = self._announcers.get(option.cid)
        other = "withdrawn" if option.removes else f"announced as {option.prefix}"
        text = f"context {option.cid} is {known.context.prefix} by {first}, and {other} by {lesson.source}"
        return Notice("context-disputed", text, rfc(6775, "7.2"), 0)

    def _plan(self) -> None:
        ends = (end for entry in self.learned.values() for end in entry.ends_ns)
        self.next_end_ns = min(ends, default=None)
