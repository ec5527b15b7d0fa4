"""Addresses that nodes register, and whose they are."""

from ipaddress import IPv6Address
from typing import Any, NamedTuple

from lowpanbudget.capture.number_rows import NumberRows
from lowpanbudget.capture.recent import Recent
from lowpanbudget.env import IID_MASK, SHORT_IID, link_text
from lowpanbudget.findings import concerns
from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.finding import Certainty, Hit, Severity
from lowpanbudget.findings.lifetimes import Granted, Lifetimes
from lowpanbudget.findings.rule import Hits, Noticed, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.senders import Station, pan_of
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.findings.wording import seconds_text
from lowpanbudget.layers.internet.icmpv6 import Icmpv6
from lowpanbudget.layers.internet.nd.lowpan_options import MINUTE, STATUS, AddressRegistration
from lowpanbudget.layers.internet.nd.messages import (
    DuplicateAddressConfirmation,
    DuplicateAddressRequest,
    NeighborAdvertisement,
    NeighborSolicitation,
    RouterAdvertisement,
)
from lowpanbudget.layers.internet.rpl.messages import Dio
from lowpanbudget.layers.link.mac import FrameType, Mac
from lowpanbudget.stack.incoming import Notice

REGISTRATIONS = Subject("registrations")
_DUPLICATE = 1  # RFC 6775 section 4.1, table 1


class _Registered(NamedTuple):
    """Whose an address is, the frame that said so last, when, and for how long; what ran out before that is told."""

    eui: bytes
    number: int
    time_s: float
    lifetime_s: int
    after_another: bool = False


class Registered(Recent[IPv6Address, _Registered]):
    """The last registration of each address; the ``rows`` of frame numbers that each node has, those ``of_two``."""

    def __init__(self) -> None:
        super().__init__()
        self.rows = NumberRows[Station]()
        self.of_two = Recent[bytes, bool]()


def _registration(message: Any) -> AddressRegistration | None:
    """Return the registration in a message; None where it has none that names an EUI-64."""
    options = (one for one in message.options if isinstance(one, AddressRegistration))
    option = next(options, None)
    return None if option is None or len(option.rovr) != 8 else option


class _Registration(NamedTuple):
    """A registration in a message: of which address, and whether the message ``answers`` one."""

    address: IPv6Address
    option: AddressRegistration
    answers: bool


def _registration_of(scene: Scene, message: Icmpv6) -> _Registration | None:
    """Return the registration that a solicitation asks for, or an advertisement answers."""
    content, header = message.message, scene.header
    if header is None or message.checksum_ok is False:
        return None
    if not isinstance(content, NeighborSolicitation | NeighborAdvertisement):
        return None
    option, answers = _registration(content), isinstance(content, NeighborAdvertisement)
    if option is None:
        return None
    address = header.destination if answers else header.source
    return _Registration(content.target if option.extended else address, option, answers)


def _subject(address: IPv6Address) -> str:
    """Return the short address that an address is made of, or the address."""
    identifier = int(address) & IID_MASK
    if identifier >> 16 == SHORT_IID >> 16:
        return f"short address {identifier & 0xFFFF:#06x}"
    return str(address)


@REGISTRATIONS.rule("address-of-two-devices", Icmpv6, memory=Registered)
def registered_twice(memory: Registered, scene: Scene, message: Icmpv6) -> Hits | None:
    """Compare who registers an address with who did before; take the answer that says so."""
    registration = _registration_of(scene, message)
    if registration is None:
        return None
    address, option, answers = registration
    if answers and option.status:
        return (_refused(address, scene),) if option.status == _DUPLICATE else None
    if option.lifetime_s and not answers:
        scene.known.registered.take(option.rovr, address)
    before = memory.get(address)
    new = _Registered(option.rovr, scene.number, scene.time_s, option.lifetime_s)
    if before is None or not option.lifetime_s or before.eui == option.rovr:
        memory.renew(address, new)
        return None
    said = f"{address}: {link_text(before.eui)} in frame {before.number}"
    evidence = f"{said}, {link_text(option.rovr)} in frame {scene.number}"
    frames = before.number, scene.number
    past_s = scene.time_s - before.time_s
    if not past_s > before.lifetime_s:
        if answers:
            return None  # told where it was asked for
        scene.known.registered.shared.renew(int(address), True)
        return (Hit("two devices register one address", (evidence,), _subject(address), frames),)
    memory.renew(address, new._replace(after_another=True))
    cause = "an address was registered by another device after its time was over"
    lasted = f"the registration before was for {before.lifetime_s} s, {seconds_text(past_s)} before"
    evidence_of_it = (evidence, lasted)
    return (Hit(cause, evidence_of_it, _subject(address), frames, Severity.REMARK, _REPLACED),)


_REPLACED = (
    "See that the node was replaced on purpose. Its EUI-64 is another: where keys are known to others by it, and where "
    "devices are listed, put the new one in the place of the old."
)


@REGISTRATIONS.rule("address-of-two-devices", Mac)
def numbers_in_two_rows(memory: Registered, scene: Scene, mac: Mac) -> Hits | None:
    """Look whether frames of an address are numbered by two, in turns."""
    number, source = scene.sequence, mac.source
    if number is None or source is None or mac.frame_type not in _NUMBERED:
        return None
    sighting = scene.sighting
    is_aside = sighting.settled is not None and sighting.settled.is_aside
    if sighting.repeats is not None or scene.fcs_ok is False or scene.is_replayed or is_aside:
        return None
    found = memory.rows.take((pan_of(mac), source), number, scene.number)
    if found is None:
        return None
    memory.of_two.renew(source, True)
    seen = f"number {found.last} in frame {found.before}, and {found.own} in frame {found.frame}"
    evidence = (f"{seen}, each the next of its own row",)
    frames = found.before, found.frame
    return (
        Hit(
            _IN_TURNS,
            evidence,
            link_text(source),
            frames,
            Severity.RISK,
            certainty=Certainty.CAPTURE,
        ),
    )


_NUMBERED = {FrameType.DATA, FrameType.COMMAND}
_IN_TURNS = (
    "its frames are numbered in two rows that go on in turns, as those of two devices: counts of it that seem to begin "
    "anew, numbers that seem to be missing and messages that come too often are of both"
)


@REGISTRATIONS.rule("address-of-two-devices", HeardDatagram)
def sent_from_shared_address(memory: Registered, scene: Scene, datagram: HeardDatagram) -> None:
    """Note the addresses of those whose frames are numbered by two."""
    link = datagram.link_source
    if link in memory.of_two and scene.from_its_source(datagram.header):
        scene.known.registered.shared.renew(int(datagram.header.source), True)


@REGISTRATIONS.rule("address-of-two-devices", HeardDatagram, concerns=concerns.icmpv6)
def confirmed_as_duplicate(
    _memory: Registered, scene: Scene, _datagram: HeardDatagram
) -> Hits | None:
    """Take the confirmation that says so where it starts, once on its whole way."""
    message = scene.message_begun
    content = None if message is None else message.message
    if isinstance(content, DuplicateAddressConfirmation) and content.status == _DUPLICATE:
        return (_refused(content.registered, scene),)
    return None


def _refused(address: IPv6Address, scene: Scene) -> Hit:
    evidence = (f"frame {scene.number}: {address} has status {_DUPLICATE}, {STATUS[_DUPLICATE]}",)
    return Hit("a router refuses an address that another device has", evidence, _subject(address))


_CHANGED, _DIFFERS = Noticed("device-changed"), Noticed("device-differs")


@REGISTRATIONS.rule("address-of-two-devices", _CHANGED, _DIFFERS)
def short_address_changed(memory: Registered, scene: Scene, notice: Notice) -> Hits:
    """Take the notices of what was learned: it may have been given to another device on purpose."""
    last = next(reversed(memory.values()), None)
    if last is not None and last.number == scene.number and last.after_another:
        return  # that it was is told
    subject, _, _ = notice.text.partition(" is ")
    than = "before" if notice.name == _CHANGED.name else "given"
    cause = f"a short address is that of another device than {than}"
    yield Hit(cause, (notice.text,), subject, severity=Severity.RISK)


# --- their time -------------------------------------------------------------------------------------------


class Registrations(Lifetimes):
    """The last of each address; the nodes that act as ``routers``.

    A router may register when it comes up, as a host does, and never again: "If the routing protocol used between the
    routers provides this, then there is no need for the routers to use the ARO" (RFC 6775 section 6.5.5).
    """

    def __init__(self) -> None:
        super().__init__()
        self.routers: Recent[bytes, bool] = Recent()

    def note_router(self, node: bytes | None) -> None:
        """Take a node that acts as one."""
        if node is not None:
            self.routers.renew(node, True)  # it is a set that forgets


@REGISTRATIONS.rule("registration-used-too-late", Icmpv6, memory=Registrations)
def registration_heard(memory: Registrations, scene: Scene, message: Icmpv6) -> None:
    """Learn for how long an address is registered, and where: of several routers the one that has it longest."""
    content = message.message
    if isinstance(content, RouterAdvertisement | Dio):
        memory.note_router(scene.link_source)
        return
    if isinstance(content, DuplicateAddressRequest | DuplicateAddressConfirmation):
        known = memory.get(int(content.registered))
        if known is not None and not content.status:  # its router asks for it anew
            _register(memory, content.registered, known, content.registration_lifetime, scene)
        return
    registration = _registration_of(scene, message)
    if registration is None:
        return
    address, option, answers = registration
    ends = scene.link_source, scene.link_destination
    node, router = ends[::-1] if answers else ends
    memory.note_router(router)
    if node is None:
        return
    if answers and option.status:
        known = memory.get(int(address))
        if known is not None and known.receiver == router:
            memory.drop(int(address))
        return
    new = Granted(0, scene.time_s, scene.number, node, router)
    _register(memory, address, new, option.registration_lifetime, scene)


def _register(
    memory: Registrations, address: IPv6Address, granted: Granted, units: int, scene: Scene
) -> None:
    key, known = int(address), memory.get(int(address))
    new = granted._replace(lifetime_s=units * MINUTE, time_s=scene.time_s, number=scene.number)
    if known is not None and known.receiver != new.receiver and known.end_s > new.end_s:
        return
    if units:
        memory.grant(key, new)
    else:
        memory.drop(key)


@REGISTRATIONS.rule("registration-used-too-late", HeardDatagram)
def registration_used_too_late(
    memory: Registrations, scene: Scene, datagram: HeardDatagram
) -> Hits | None:
    """Look at what a node sends from its address, and at what its router sends to it."""
    now, passage = scene.time_s, scene.passage
    if passage is not None and passage.hops[-1].destination == passage.now.source:
        memory.note_router(passage.now.source)
    if not now > memory.due_s or not memory.is_due(now):
        return None
    address, how = datagram.header.source, "sent from it"
    over = memory.over(int(address), now)
    if over is None or datagram.link_source != over.source:
        address, how = datagram.destination, "sent to it"
        over = memory.over(int(address), now)
        if over is None or datagram.link_destination != over.source:
            return None
    if over.source in memory.routers:
        return None
    cause = f"an address is used after its registration for {over.lifetime_s} s ran out"
    said = f"{address} registered at {link_text(over.receiver)}", how
    return memory.use(int(address), scene, Hit(cause, (), link_text(over.source)), said)


@REGISTRATIONS.at_end("registration-used-too-late")
def registrations_used_too_late(memory: Registrations, known: Surroundings) -> Hits:
    """Tell of the uses that only the end proves."""
    return memory.end(known)
