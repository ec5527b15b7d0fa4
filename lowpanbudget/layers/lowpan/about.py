"""What each header and table of 6LoWPAN is for, in a sentence or two, from the clause that its layout cites."""

_HEADERS = {
    "6LoWPAN dispatch, page 0": (
        "What each first octet of a 6LoWPAN header announces, from the start of a frame and until a page switch."
    ),
    "6LoWPAN dispatch, page 1": (
        "What each first octet announces behind 0xf1, which switches to page 1: the routing headers of RPL, then IPHC. "
        "Page 1 holds to the end of the packet, so mesh and fragment headers stand before it."
    ),
    "6LoWPAN dispatch": "The octet 0x41: a whole IPv6 header follows, with nothing left out.",
    "page switch": (
        "An octet 1111xxxx that makes page x the one by which all that follows is read, until another such octet. It "
        "need not be the first of the frame: mesh and fragment headers stand before it. RFC 8025 calls it Paging "
        "Dispatch."
    ),
    "ESC": "An octet 0x40 that says that the type of what follows stands in the next octet.",
    "ESC extension types": "What the octet behind an escape (ESC) announces.",
    "IPHC": (
        "The compressed IPv6 header: 13 bits say which fields are left out, and the others follow in line. At best 2 "
        "octets stand for the 40 of IPv6."
    ),
    "HC1": (
        "The first compressed IPv6 header, which IPHC has replaced: it shortens link-local addresses alone, and the "
        "hop limit always goes in line."
    ),
    "HC_UDP": "The compressed UDP header that goes with HC1: it shortens ports and leaves out the length.",
    "LOWPAN_NHC": "What the octet behind a compressed header announces: UDP or an extension header, compressed too.",
    "UDP NHC": (
        "The compressed UDP header: one octet says how the ports are shortened and whether the checksum is left out; "
        "the length never goes."
    ),
    "NHC extension": (
        "One octet in front of an IPv6 extension header, or of an IPv6 header inside: it names which one, and says "
        "whether the header behind it is compressed too."
    ),
    "GHC": "The codes of generic header compression: copy octets, insert zeros, repeat what stood before.",
    "UDP GHC": "UDP NHC with another number: it shortens the UDP header alike, and the payload comes as byte code.",
    "ICMPv6 GHC": "One octet that says: an ICMPv6 message follows as byte code.",
    "extension GHC": "One octet in front of an IPv6 extension header that comes as byte code.",
    "FRAG1": (
        "The header of the first fragment of a datagram, 4 octets: how long the whole datagram is before compression, "
        "and a tag that its fragments share. The compressed headers follow, and as much payload as makes a multiple of "
        "8 octets of the uncompressed datagram."
    ),
    "FRAGN": (
        "The header of each further fragment, 5 octets: size and tag as in FRAG1, and where in the uncompressed "
        "datagram this piece begins, in units of 8 octets. All but the last piece are therefore multiples of 8; what a "
        "frame has left beyond that stays empty. It repeats neither addresses nor ports."
    ),
    "RFRAG": (
        "The header of a fragment that can be asked for again, 6 octets: tag, sequence number, size of this piece and "
        "where it begins in the compressed datagram. All count octets, so no piece is rounded to 8."
    ),
    "RFRAG-ACK": "The answer to recoverable fragments, 6 octets: a bit for each sequence number that has come.",
    "mesh": (
        "The header by which frames are passed on below IPv6: who sent the packet, whom it is for, and how many hops "
        "are left. The MAC header names the two ends of this hop alone."
    ),
    "BC0": (
        "The broadcast header of a mesh, 2 octets: a number by which nodes that pass a flood on know copies of it."
    ),
    "critical 6LoRH types": "What the type in a critical routing header means. Who does not know it drops the packet.",
    "elective 6LoRH types": "What the type in an elective routing header means. Who does not know it skips the header.",
    "SRH-6LoRH": (
        "A source route in short: the routers still to pass, each in 1, 2, 4, 8 or 16 octets, of which the rest is "
        "taken from a reference address. A packet that the root sends down in non-storing mode has one."
    ),
    "RPI-6LoRH": (
        "The RPL packet information in short: the direction, the error flags, the instance, and the rank of the "
        "sender, by which routers notice loops. Instance 0 goes without an octet, a short rank in one."
    ),
    "IP-in-IP-6LoRH": (
        "A tunnel in short: the packet stands in an outer IPv6 header from the root or another router (encapsulator), "
        "of which only the hop limit and, where it is not the root, the address go."
    ),
    "elective 6LoRH": (
        "A routing header that says how long it is, so that a node that does not know its type skips it and reads on. "
        "A critical one says no length: who does not know its type drops the packet."
    ),
}

_FIELDS = {
    "FRAGN.datagram_offset": (
        "where this piece begins in the uncompressed datagram, in units of 8 octets: 10 is octet 80"
    ),
    "RFRAG.Fragment_Offset": (
        "where this piece begins in the compressed datagram, in octets; in the first fragment (Sequence 0) the size of "
        "the whole compressed datagram, and 0 there gives the datagram up"
    ),
    "RFRAG-ACK.bitmap": (
        "a bit for each Sequence, from the most significant one on: 1 where that fragment came; all ones for a "
        "datagram that is whole, all zeros for one that is given up"
    ),
}

ABOUT = _HEADERS | _FIELDS
