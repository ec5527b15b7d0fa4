"""The messages of ICMPv6 itself: errors and echo (RFC 4443 sections 3 and 4), and what is not read further."""

from lowpanbudget.cites import rfc
from lowpanbudget.fields import OctetString, bits, outer, part, structure, unused

CITE = rfc(4443, "2.1")
INVOKING = "as much as there is of the packet that caused the error"
_MATCHES = "matches replies to requests"


@structure("destination unreachable", rfc(4443, "3.1"))
class DestinationUnreachable:
    """A packet could not be delivered; ``code`` says why, ``invoking`` is as much of it as there is."""

    code: int = outer()
    unused: int = unused(32, default=0)
    invoking: bytes = part(OctetString, INVOKING)


@structure("packet too big", rfc(4443, "3.2"))
class PacketTooBig:
    """A packet is over ``mtu`` octets, what the next link carries."""

    code: int = outer(default=0)
    mtu: int = bits(32, "octets")
    invoking: bytes = part(OctetString, INVOKING)


@structure("time exceeded", rfc(4443, "3.3"))
class TimeExceeded:
    """The hop limit (code 0) or the time for reassembly (code 1) ran out."""

    code: int = outer()
    unused: int = unused(32, default=0)
    invoking: bytes = part(OctetString, INVOKING)


@structure("parameter problem", rfc(4443, "3.4"))
class ParameterProblem:
    """Octet ``pointer`` of the invoking packet cannot be processed."""

    code: int = outer()
    pointer: int = bits(32, "octet of the invoking packet")
    invoking: bytes = part(OctetString, INVOKING)


@structure("echo request", rfc(4443, "4.1"))
class EchoRequest:
    """An Echo Request: identifier, sequence number and data."""

    identifier: int = bits(16, _MATCHES)
    sequence_number: int = bits(16, _MATCHES)
    data: bytes = part(OctetString, "returned unmodified", default=b"")


@structure("echo reply", rfc(4443, "4.2"))
class EchoReply:
    """An Echo Reply: what the request had."""

    identifier: int = bits(16, _MATCHES)
    sequence_number: int = bits(16, _MATCHES)
    data: bytes = part(OctetString, "as in the request", default=b"")


@structure("ICMPv6 message", CITE)
class Unknown:
    """A message that is not read further: type, code and the octets after the checksum."""

    type: int = outer()
    code: int = outer()
    body: bytes = part(OctetString, "not read further")
