"""Words of 6LoWPAN: what people call things that no table here has as its name."""

from lowpanbudget.cites import rfc
from lowpanbudget.fields import Gloss
from lowpanbudget.layers.internet.ipv6 import MINIMUM_MTU
from lowpanbudget.layers.lowpan import fragment, mesh, nhc, recovery

COMPRESSION = {
    "IPv6 over low-power wireless personal area networks (6LoWPAN)": Gloss(
        "The layer between IPv6 and the frames of IEEE 802.15.4: it compresses headers and cuts datagrams into "
        "fragments, for frames too small for either.",
        rfc(4944, "1"), ("6LoWPAN dispatch, page 0", "IPHC", "LOWPAN_NHC", "fragment", "mesh-under"),
    ),
    "next header (NH)": Gloss(
        "In IPHC the bit NH says whether the next header is compressed as well (LOWPAN_NHC), or goes uncompressed "
        "with its number in line. In IPv6 the field is the number of the header that follows, such as 17 for UDP.",
        rfc(6282, "3.1.1"), ("next header form", "LOWPAN_NHC", "header NH"),
    ),
    "source address compression (SAC)": Gloss(
        "The bit of IPHC that says what the source address is restored with: 0 the link-local prefix, 1 a context "
        "(stateful). With SAM, which says how much of it goes in line, it is one choice.",
        rfc(6282, "3.1.1"), ("source address mode", "context", "DAC"),
    ),
    "destination address compression (DAC)": Gloss(
        "The bit of IPHC that says what the destination address is restored with: 0 the link-local prefix (of groups: "
        "none), 1 a context. With M (multicast) and DAM, which says how much of it goes in line, it is one choice.",
        rfc(6282, "3.1.1"), ("destination address mode", "context", "SAC"),
    ),
    "context identifier extension (CID)": Gloss(
        "The bit of IPHC that says whether an octet follows that names the contexts: SCI of the source, DCI of the "
        "destination. Without it context 0 is meant. Of DTLS, a connection ID has the same short name.",
        rfc(6282, "3.1.2"), ("context octet", "context", "connection ID"), also=("SCI", "DCI"),
    ),
    "stateless and stateful compression (stateless)": Gloss(
        "Stateless: all that is left out follows from the frame itself, the link-local prefix and the link addresses. "
        "Stateful: a context, which both sides must know before, gives the prefix.",
        rfc(6282, "3.1.1"), ("context", "SAC"), also=("stateful",),
    ),
    "interface identifier (IID)": Gloss(
        "The lower 64 bits of an address. Where it is made of the link address (the EUI-64 with its U/L bit turned, or "
        "0000:00ff:fe00 and a short address) nothing of it need be sent, on the first hop.",
        rfc(6282, "3.2.2"), ("station.identifier", "extended address", "source address mode", "U/L bit"),
        also=("0000:00ff:fe00", "ff:fe00", "::ff:fe00"),
    ),
    "universal/local bit (U/L bit)": Gloss(
        "The second lowest bit of the first octet of an EUI-64 (0x02): 0 where the address is unique in the world. An "
        "interface identifier made of it has the bit turned, so that 00:12:... becomes 0212:....",
        rfc(4291, "appendix A"), ("IID", "extended address"), also=("universal bit", "local bit"),
    ),
    "paging (page)": Gloss(
        "Which of 16 tables says what a first octet of 6LoWPAN means. A frame begins in page 0; an octet 1111xxxx (the "
        "paging dispatch) switches to page x, which holds until another one or the end. 0xf1 switches to page 1, "
        "where the routing headers of RPL stand and IPHC means the same as in page 0; mesh and fragment headers go "
        "before it.",
        rfc(8025, "4"), ("page switch", "6LoWPAN dispatch, page 1", "6LoRH", "critical and elective"),
        also=("0xf1", "11110001", "1111xxxx", "page 0"),
    ),
    "critical and elective": Gloss(
        "Two kinds of routing headers in page 1. A node that does not know the type of a critical one (100) must drop "
        "the packet. An elective one (101) says how long it is: a node that does not know its type skips it and reads "
        "on.",
        rfc(8138, "4"), ("critical 6LoRH types", "elective 6LoRH types", "6LoRH", "page"),
        also=("critical routing header", "elective routing header", "critical", "critical 6LoRH"),
    ),
    "context 0": Gloss(
        "The context that is meant where IPHC names none: without the context octet (CID 0) both addresses take it. A "
        "prefix under another number costs that octet in each frame.",
        rfc(6282, "3.1.1"), ("context", "context.id", "CID"), also=("default context",),
    ),
    "compressed port": Gloss(
        f"A UDP port of the 16 from {nhc.KNOWN_PORT:#06x} on: half an octet in line, where both ports are such; any "
        "port that begins with 0xf0 takes one octet.",
        rfc(6282, "4.3.1"), ("flow.source_port", "UDP NHC"),
        also=("F0B port", "0xf0b0", "f0b0", "61616", "UDP ports", "0xf0b0-0xf0bf"),
    ),
    "header compression": Gloss(
        "Leaving out of IPv6, UDP and other headers what the receiver can work out: from the link header, from rules, "
        "from contexts. Fields that are not left out go in line.",
        rfc(6282, "1"), ("IPHC", "LOWPAN_NHC", "GHC", "HC1", "context", "elide"), also=("compression",),
    ),
    "generic header compression (GHC)": Gloss(
        "Byte code in the place of a UDP payload, an ICMPv6 message or an extension header: it copies what stood "
        "before, zeros, and parts of the addresses. Whoever sends it must know that the neighbour reads it: by the bit "
        "G of its capability indication option, by byte code that came from it, or because all nodes were set up so. "
        "What ends seal for each other (OSCORE, DTLS) repeats nothing and gains only in its headers; what the link "
        "seals is compressed before. `lowpanbudget compress` writes it where it is asked to, and all that reads frames "
        "reads it. Designs do not plan it: rooms, fits and sweeps count none. Of a datagram that is cut the first "
        "fragment is written with it; recoverable fragments are written without.",
        rfc(7400, "3.3"), ("LOWPAN_NHC", "length of compressed contents", "6CIO", "byte-code-not-shortest"),
        also=("byte code",),
    ),
    "length of compressed contents": Gloss(
        "How long byte code is tells what repeats in it, also where the link seals it: an attacker who can have octets "
        "of his choice sent beside a secret learns from lengths whether they are like it. Seal secrets end to end, so "
        "that none is compressed, or use no GHC where they are.",
        rfc(7400, "5"), ("generic header compression", "OSCORE", "link.security"),
    ),
    "6LoWPAN routing header (6LoRH)": Gloss(
        "RPL's routing artefacts in short: source routes, the packet information and tunnels go before the IPHC "
        "header, in page 1, and not as IPv6 headers within.",
        rfc(8138, "4"), ("flow.routing.form", "SRH-6LoRH", "RPI-6LoRH", "IP-in-IP-6LoRH"),
    ),
    "mesh-under": Gloss(
        "Frames are passed on below IPv6: all nodes are one IP hop apart, and a mesh header names the two ends. "
        "Identifiers are elided against these (RFC 4944 section 10.1), so that a later hop takes no more octets than "
        "the first. Each fragment carries the header, and all are put together at the far end alone: a plain one that "
        f"is lost on any hop loses the datagram. {mesh.PLANNED}.",
        rfc(6775, "2"), ("header mesh", "BC0", "deep hops left", "group address in a mesh", "route-over"),
    ),
    "deep hops left": Gloss(
        f"An octet behind the first of a mesh header, where the four bits of that one are {mesh.DEEP}: the hops left "
        f"stand in it then, up to {mesh.MOST_HOPS}. {mesh.DEEP} and more need it. Designs let who forwards lower it "
        "where it stands, so that frames keep their length; who writes the header anew, with fewer than "
        f"{mesh.DEEP} left, may drop it.",
        mesh.CITE, ("header mesh", "flow.hops", "mesh-under"),
    ),
    "group address in a mesh": Gloss(
        "What a mesh header has for its final address where a frame is for a group: the bits 100, then the last 13 "
        "bits of the group's IPv6 address. The frame itself goes to all who hear it (0xffff in the MAC header); a "
        "broadcast header tells copies of one flood.",
        mesh.GROUP_CITE, ("header mesh", "BC0", "mesh-under"), also=("multicast address mapping",),
    ),
    "hop": Gloss(
        "One transmission from a node to a neighbour. The first hop starts at the sender; on others a router forwards. "
        "These often have less room: the link addresses are then the routers', so an identifier that followed from "
        "them on the first hop goes in line; the hop limit is 63 and no more 64, which IPHC leaves out, and takes an "
        "octet. A mesh below IPv6 (mesh-under) is one hop of IPv6.",
        rfc(6282, "3.2.2"),
        ("flow.hops", "in line", "hop limit form", "IID", "later-hop-decides"),
        also=("first hop", "second hop", "later hop", "forwarded hop", "forwarded", "third hop", "last hop"),
    ),
    "octets of a frame (127 102 81)": Gloss(
        "What RFC 4944 section 4 reckons with: a frame of 127 octets, less 25 for the link's own header and trailer "
        "(aMaxFrameOverhead), leaves 102; security takes 21 more at most, 9 or 13 with its shorter codes, and leaves "
        "81. An IPv6 header that is not compressed takes 40 of these and leaves 41, UDP takes 8, and 33 are left. The "
        "25 are frame control 2, sequence number 1, two PAN IDs 4, two addresses of 8 octets 16, check sequence 2 "
        "(from memory); where both ends are in one PAN, the second PAN ID is left out, and 23 remain. A design has "
        "figures of its own: short addresses leave more, and a key that is named at length under a code of 16 octets "
        "takes 30. Its page tells them beside these, and `lowpanbudget budget` every field of them.",
        rfc(4944, "4"),
        ("room", "overhead", "header MAC", "link.addresses", "link.security.level"),
        also=("aMaxFrameOverhead", "25", "21", "40", "41", "33", "23", "25 octets", "81 octets", "102 octets"),
    ),
    "route-over": Gloss(
        "Each node on the way is an IPv6 router, as in networks of RPL: link addresses change from hop to hop, so "
        "what is left out on the first hop may have to be sent on later ones.",
        rfc(6775, "2"), ("flow.hops", "RPL", "mesh-under"),
    ),
    "message check": Gloss(
        "A code at the end of a message, computed over what stands before it. No kind of field is one: frames end in a "
        "check sequence, which finds errors of the air; under link security a MIC proves, hop by hop, who sent them "
        "and that nothing was changed; and the UDP checksum, which is mandatory with IPv6, covers the message from end "
        "to end. Where a node elides that checksum another check must be in its place. An existing format with such a "
        "code has octets of a constant length there: the firmware fills and verifies them, and `lowpanbudget pack` "
        "takes them as they are given.",
        rfc(6282, "4.3.2"), ("FCS", "MIC", "octets"), also=("message CRC", "message checksum"),
    ),
}  # fmt: skip

FRAGMENTS = {
    "fragment": Gloss(
        "One of the frames that a datagram is cut into when it does not fit in a single one. The first has the "
        "compressed headers; each has a fragment header (4 octets in the first, 5 in others) and the link's own. "
        f"Where a later one begins is told in units of {fragment.UNIT} octets of the uncompressed datagram, so all but "
        f"the last carry multiples of {fragment.UNIT}: 85 free octets hold 80. Recoverable fragments count octets.",
        rfc(4944, "5.3"), ("FRAG1", "FRAGN", "RFRAG", "reassembly", "cliff", "fragment-offset-wrong"),
        also=("fragments", "first fragment", "second fragment", "third fragment", "last fragment",
              "subsequent fragment", "units of 8", "later fragment"),
    ),
    "reassembly": Gloss(
        "Putting the fragments of a datagram together again. The receiver gives up what is not whole after "
        f"{fragment.TIMEOUT_S} s at most, and one that is lost loses the datagram.",
        rfc(4944, "5.3"), ("fragment", "datagram_tag", "RFRAG", "VRB"), also=("reassembly buffer", "fragmentation"),
    ),
    "virtual reassembly buffer (VRB)": Gloss(
        "What a router keeps that passes fragments on as they come: where the first of a datagram went, and under "
        "which tag. It need not hold the datagram.",
        rfc(8930, "6"), ("reassembly", "RFRAG"), also=("fragment forwarding",),
    ),
    "selective fragment recovery (SFR)": Gloss(
        f"Fragments that can be asked for again: the receiver of up to {recovery.SEQUENCES} of them answers with a "
        "bitmap of those that came, and only the others are sent once more.",
        rfc(8931, "6"), ("RFRAG", "RFRAG-ACK", "network.fragments"),
    ),
    "largest datagram (1280)": Gloss(
        f"Every link of IPv6 must carry datagrams of {MINIMUM_MTU} octets, here in fragments. A fragment header can "
        f"say {fragment.LARGEST} at most.",
        rfc(8200, "5"), ("network.mtu", "MTU option", "fragment"), also=("maximum transmission unit",),
    ),
}  # fmt: skip

NODES = {
    "border router (6LBR)": Gloss(
        "The router at the edge of a 6LoWPAN network: it gives the prefix and the contexts, knows who is registered, "
        "and is usually the root of RPL.",
        rfc(6775, "2"), ("station.role", "root", "authoritative border router option"), also=("LBR", "gateway"),
    ),
    "6LoWPAN router (6LR)": Gloss(
        "A node that passes packets of others on, in a route-over network.",
        rfc(6775, "2"), ("6LN", "6LBR"),
    ),
    "6LoWPAN node (6LN)": Gloss(
        "Any node of the network, host or router; often said of a leaf that passes nothing on.",
        rfc(6775, "2"), ("station.role", "6LR"),
    ),
    "duplicate address detection (DAD)": Gloss(
        "Finding out whether an address is another's already. A node registers it with its router (ARO); the router "
        "asks the border router with DAR, which answers with DAC.",
        rfc(6775, "8.2"), ("ARO", "DAR", "duplicate address confirmation"),
    ),
    "registration ownership verifier (ROVR)": Gloss(
        "What proves in an extended registration whose an address is: 64 to 256 bits, in place of the EUI-64.",
        rfc(8505, "5.3"), ("address registration option", "TID"), also=("EARO",),
    ),
    "transaction ID (TID)": Gloss(
        "Counts the registrations of an address, so that routers know the newest where a node has moved.",
        rfc(8505, "5.2"), ("address registration option", "ROVR"),
    ),
}  # fmt: skip

WORDS = COMPRESSION | FRAGMENTS | NODES
