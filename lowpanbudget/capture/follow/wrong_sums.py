"""Frames with wrong checksums that are alike: what is noticed of each without reading it in full.

Where a context is not known all checksums of a capture are wrong: such frames are as many as others.
"""

from lowpanbudget.capture.follow.templates import Template
from lowpanbudget.layers.internet.chain import PseudoHeader
from lowpanbudget.stack.identifiers import note_wrong_checksum
from lowpanbudget.stack.incoming import CHECKSUM, Notice, octet_of
from lowpanbudget.stack.upper import wrong_udp_sum


def is_as_right(template: Template, octets: bytes) -> bool:
    """Return whether the checksum of a datagram is right where the template's is, or wrong where that is wrong."""
    if template.pseudo is None or template.example.checksum_elided:
        return True
    return template.is_right(octets) is not template.is_wrong


def wrong_sum_of(template: Template, octets: bytes) -> tuple[Notice, ...]:
    """Return what reading notices of a datagram whose checksum is wrong, in a frame like that of a wrong one.

    Its headers are MAC, IPHC and compressed UDP. More than one notice: the older rule for identifiers explains it.
    """
    frame, upper = template.example, template.upper
    assert frame.mac is not None
    assert upper is not None
    ends = PseudoHeader(upper.source, upper.destination)
    wrong = wrong_udp_sum(ends, octets[upper.offset :])
    at = frame.heads[1].start
    return tuple(note_wrong_checksum(wrong, frame.mac, at, octet_of(frame.spans, CHECKSUM, at)))
