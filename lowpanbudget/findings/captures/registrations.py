"""Addresses that nodes register, and whose they are."""

from ipaddress import IPv6Address
from typing import Any

from lowpanbudget.capture.recent import Recent
from lowpanbudget.env import IID_MASK, SHORT_IID, link_text
from lowpanbudget.findings import concerns
from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.finding import Hit, Severity
from lowpanbudget.findings.rule import Hits, Noticed, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.layers.internet.icmpv6 import Icmpv6
from lowpanbudget.layers.internet.nd.lowpan_options import STATUS, AddressRegistration
from lowpanbudget.layers.internet.nd.messages import (
    DuplicateAddressConfirmation,
    NeighborAdvertisement,
    NeighborSolicitation,
)
from lowpanbudget.stack.incoming import Notice

REGISTRATIONS = Subject("registrations")
_DUPLICATE = 1  # RFC 6775 section 4.1, table 1

Registered = Recent[IPv6Address, tuple[bytes, int]]  # whose it is, and the frame that said so


def _registration(message: Any) -> AddressRegistration | None:
    """Return the registration in a message; None where it has none that names an EUI-64."""
    options = (one for one in message.options if isinstance(one, AddressRegistration))
    option = next(options, None)
    return None if option is None or len(option.rovr) != 8 else option


def _subject(address: IPv6Address) -> str:
    """Return the short address that an address is made of, or the address."""
    identifier = int(address) & IID_MASK
    if identifier >> 16 == SHORT_IID >> 16:
        return f"short address {identifier & 0xFFFF:#06x}"
    return str(address)


@REGISTRATIONS.rule("address-of-two-devices", Icmpv6, memory=Recent)
def registered_twice(memory: Registered, scene: Scene, message: Icmpv6) -> Hits | None:
    """Compare who registers an address with who did before; take the answer that says so."""
    content, header = message.message, scene.header
    if header is None or message.checksum_ok is False:
        return None
    if isinstance(content, NeighborAdvertisement):
        option = _registration(content)
        if option is None or option.status != _DUPLICATE:
            return None
        return (_refused(content.target if option.extended else header.destination, scene),)
    option = _registration(content) if isinstance(content, NeighborSolicitation) else None
    if option is None or not isinstance(content, NeighborSolicitation):
        return None
    address = content.target if option.extended else header.source
    before = memory.get(address)
    if before is None or not option.registration_lifetime:
        memory[address] = (option.rovr, scene.number)
        return None
    eui, number = before
    if eui == option.rovr:
        return None
    cause = "two devices register one address"
    evidence = (
        f"{address}: {link_text(eui)} in frame {number}, {link_text(option.rovr)} in frame {scene.number}",
    )
    return (Hit(cause, evidence, _subject(address), (number, scene.number)),)


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
def short_address_changed(_memory: Registered, _scene: Scene, notice: Notice) -> Hits:
    """Take the notices of what was learned: it may have been given to another device on purpose."""
    subject, _, _ = notice.text.partition(" is ")
    than = "before" if notice.name == _CHANGED.name else "given"
    cause = f"a short address is that of another device than {than}"
    yield Hit(cause, (notice.text,), subject, severity=Severity.RISK)
