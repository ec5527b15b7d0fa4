"""Writes footbridge.pcap and archive.pcap, slices of a day with faults planted in them, and a burst of each design.

    python examples/make_captures.py

The same octets come out each time: all that looks like chance comes from seeded generators.
captures/ holds the traffic. Both networks are secured. Their invented keys stand in footbridge.keys.toml and
archive.keys.toml, for these examples alone. A key file must be its owner's alone, and a checkout does not keep that:

    chmod 600 examples/*.keys.toml
    lowpanbudget audit examples/archive.pcap --design examples/archive.toml --keys examples/archive.keys.toml

footbridge.pcap: 90 minutes at the west abutment, link type 283 with slot numbers and without check sequences: reports,
snapshots, blocks under OSCORE, commands down source routes, enhanced beacons and acknowledgements, DIOs and DAOs,
router advertisements. Planted, with what audit finds:

    a spare node, unsecured, with the PAN ID rule of older frames       pan-id-rule-of-other-version,
    (the second names it by the address of the frame's own rule)        security-not-as-planned
    a service tool that scans with the suppression bit set              sequence-suppression-misused
    header elements without their termination before the payload        header-elements-unreadable
    a snapshot with 8 s between its fragments                           fragments-too-slow
    three datagrams that meet at a relay and are never whole            fragments-meet; fragments-unfinished
    fragments that come twice, under new numbers                        fragment-repeated
    a node with old software: an RPL option of type 0x63 after          rpl-option-not-as-announced;
    0x23 was announced, and no page 1                                   page-one-not-answered
    a node that reports every minute                                    interval-off-plan
    commands of 14 octets, where the format has 10 at most              message-length-wrong

archive.pcap: four hours at the gateway, link type 195: reports, alarms, readings under DTLS, a label, polls,
a node that joins, advertisements of contexts. Planted, with what audit finds:

    identifiers with the PAN ID in them, in a checksum                  identifier-by-old-rule
    a joining node that does not invert the universal/local bit         universal-local-bit-wrong
    polls that carry the PAN ID twice                                   pan-id-carried-twice
    a batch in fragments, all sealed with one frame counter             frame-counter-used-twice, fragments-not-planned
    a relay that counts from zero after a restart                       frame-counter-went-back
    a node without security, that leaves its checksum out               security-not-as-planned,
                                                                        checksum-elided-without-cover
    an Observe counter that has grown to four octets                    coap-message-forbidden
    64-bit floats in CBOR                                               float-wider-than-needed
    notifications without a Max-Age, half an hour apart                 notification-stale
    a node with the office's old address as context 1                   context-table-differs
    ports 0xf0b3 and 0xf0b4 in full                                     ports-not-shortest, longer-than-budgeted
    fragments whose size and offsets count compressed octets            datagram-size-too-small,
    (none of them arrives: too few to say so of all flows)              fragment-offset-wrong
    two frames damaged on the way                                       check-sequence-wrong

fragments-unfinished, fragment-repeated, page-one-not-answered, check-sequence-wrong and notification-stale are remarks
here.
"""
# ruff: noqa: INP001  # a script beside the files that it writes

from captures.archive import archive
from captures.bursts import archive_burst, footbridge_burst
from captures.footbridge import footbridge

CAPTURES = {"footbridge": footbridge, "archive": archive}
BURSTS = {"footbridge": footbridge_burst, "archive": archive_burst}

if __name__ == "__main__":
    for make in (*CAPTURES.values(), *BURSTS.values()):
        make().write()
