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
        "The lower 64 bits of an address. Where it is made of the link address (the EUI-64 with one bit turned, or "
        "0000:00ff:fe00 and a short address) nothing of it need be sent, on the first hop.",
        rfc(6282, "3.2.2"), ("station.identifier", "extended address", "source address mode"),
    ),
    "compressed port": Gloss(
        f"A UDP port of the 16 from {nhc.KNOWN_PORT:#06x} on: half an octet in line, where both ports are such; any "
        "port that begins with 0xf0 takes one octet.",
        rfc(6282, "4.3.1"), ("flow.source_port", "UDP NHC"),
        also=("F0B port",),
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
