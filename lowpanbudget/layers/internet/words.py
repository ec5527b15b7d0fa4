"""Words of IPv6, RPL, OSCORE, DTLS and SenML: what people call things that no table here has as its name."""

from lowpanbudget.cites import rfc
from lowpanbudget.fields import Gloss

IPV6 = {
    "Internet Protocol version 6 (IPv6)": Gloss(
        "The protocol that brings a packet from one end to the other over many links. Its header names both ends and "
        "has 40 octets, of which 6LoWPAN sends few. It asks every link to carry packets of 1280 octets.",
        rfc(8200, "3"), ("header IPv6", "IPHC", "largest datagram"),
    ),
    "pseudo-header": Gloss(
        "What the checksum of UDP or ICMPv6 covers beside its own octets and is not sent as such: both addresses, the "
        "length, the number of the protocol. A packet that reached a wrong address fails by it.",
        rfc(8200, "8.1"), ("checksum", "UDP"),
    ),
    "hop-by-hop options": Gloss(
        "Options of an IPv6 packet that routers on its way look at: RPL's is one. Destination options are for the end "
        "alone. Each is a type, a length and its octets; padding makes the header a multiple of 8.",
        rfc(8200, "4.3"), ("RPI", "flow.routing.form", "6LoRH"),
        also=("hop-by-hop", "destination options", "HbH"),
    ),
    "link-local (fe80::)": Gloss(
        "Of an address: valid on one link alone (fe80::/64 and an identifier). No router passes such a packet on. "
        "Both halves can be left out by IPHC.",
        rfc(4291, "2.5.6"), ("IID", "source address mode"),
    ),
    "multicast (broadcast)": Gloss(
        "To a group of nodes, by an address that begins with ff: ff02::1 are all on the link. On the air it is a "
        "frame to 0xffff (broadcast), which nobody acknowledges and nobody sends again.",
        rfc(4291, "2.7"), ("destination address mode", "upkeep", "access.slots.shared_cells"), also=("ff02::1",),
    ),
    "multicast forwarding (MPL)": Gloss(
        "How a packet to a group crosses a network of routers: each sends it on once, told apart from others by the "
        "seed and the sequence in a hop-by-hop option of type 0x6d. From memory; here its options and its ICMPv6 "
        "messages (type 159) stay octets.",
        rfc(7731, "2"), ("multicast", "hop-by-hop options"), also=("MPL option",),
    ),
    "unicast (anycast)": Gloss(
        "To one node. An anycast address is one that several nodes have: the nearest gets the packet.",
        rfc(4291, "2"), ("multicast",),
    ),
    "time to live (TTL)": Gloss(
        "In IPv6 the hop limit: how many routers may still pass a packet on; each takes one off, and at 0 it is "
        "dropped. IPHC leaves out 1, 64 and 255, so another costs an octet. CoAP has an option of this name for "
        "proxies.",
        rfc(8200, "3"), ("flow.hop_limit", "hop limit form"),
    ),
    "differentiated services (DSCP)": Gloss(
        "Six bits of the traffic class that say how a packet is to be treated; 0 costs nothing in IPHC.",
        rfc(2474, "3"), ("flow.traffic_class", "TF"), also=("diffserv",),
    ),
    "explicit congestion notification (ECN)": Gloss(
        "Two bits of the traffic class by which a router says that queues are long, before it drops. Recoverable "
        "fragments have a bit of their own for it.",
        rfc(3168, "5"), ("flow.traffic_class", "TF", "RFRAG"),
    ),
    "neighbor discovery (ND)": Gloss(
        "How nodes learn prefixes, contexts and routers, and register addresses: messages of ICMPv6. That of 6LoWPAN "
        "lets nodes ask when they are awake, and has no multicast to all.",
        rfc(6775, "1"), ("router solicitation", "router advertisement", "neighbor solicitation", "ARO", "6CO", "DAD"),
        also=("NDP", "6LoWPAN-ND"),
    ),
    "stateless address autoconfiguration (SLAAC)": Gloss(
        "A node makes its address itself, of a prefix that a router announces and an interface identifier of its "
        "own. In 6LoWPAN it then registers it with a router, which finds out whether another has it.",
        rfc(4862, "5.5"), ("PIO", "IID", "ARO", "DAD"),
        also=("autoconfiguration",),
    ),
    "lifetime": Gloss(
        "How long something holds unless it is renewed: an address that was registered, and a context, in minutes; a "
        "prefix in seconds; a route that a DAO announced in units that the DODAG configuration states. In CoAP a "
        "message ID is spent for EXCHANGE_LIFETIME. How long a node lives its battery says.",
        rfc(6775, "4.1"), ("ARO", "6CO", "DODAG configuration option", "EXCHANGE_LIFETIME", "limits.battery_days"),
        also=("registration lifetime", "valid lifetime", "route lifetime"),
    ),
    "PIO": Gloss(
        "The prefix information option: a prefix, and whether nodes may make addresses of it. In router "
        "advertisements and in DIOs.",
        rfc(4861, "4.6.2"), ("prefix information option",),
    ),
    "low-power and lossy network (LLN)": Gloss(
        "A network of nodes with little power and memory, over links that lose some of what is sent.",
        rfc(7102, "2"), ("RPL", "loss"),
    ),
    "constrained node": Gloss(
        "A node with little memory: class 0 far below 10 KiB of RAM and 100 KiB of code, class 1 about that, class 2 "
        "about 50 and 250 KiB.",
        rfc(7228, "3"), also=("class 1 device", "class 0", "class 2"),
    ),
}  # fmt: skip

RPL = {
    "routing protocol for low-power and lossy networks (RPL)": Gloss(
        "Builds a graph towards a root (a DODAG): DIOs spread it from the root outwards, each node chooses parents by "
        "rank, and DAOs tell the way back down.",
        rfc(6550, "3"), ("flow.routing", "tree", "upkeep", "DODAG", "rank", "DIO", "DAO", "storing", "non-storing"),
    ),
    "destination-oriented directed acyclic graph (DODAG)": Gloss(
        "The graph that RPL builds: every path ends at one root, none goes in a circle. Each node has one preferred "
        "parent in it, so that for what goes up it is a tree.",
        rfc(6550, "3.1.3"), ("RPL", "tree", "rank", "DODAG information object"), also=("DAG", "DODAGID"),
    ),
    "DODAG information object (DIO)": Gloss(
        "The message of RPL that a node sends to its neighbours, so that they find the graph and choose parents: its "
        "rank, the root, the version, and how the graph is run. Trickle says when.",
        rfc(6550, "6.3"), ("header DODAG information object", "trickle", "upkeep.dio_s", "rank"),
    ),
    "destination advertisement object (DAO)": Gloss(
        "The message of RPL that tells the way back down: which addresses can be reached through its sender, and for "
        "how long. In storing mode it goes to the parent, in non-storing mode to the root. A DAO-ACK answers where it "
        "asks for one.",
        rfc(6550, "6.4"),
        ("header destination advertisement object", "upkeep.dao_s", "storing", "non-storing", "DAO-ACK",
         "rpl-message-of-wrong-form"),
    ),
    "rank": Gloss(
        "How far from the root a node stands in RPL, by its objective function. It grows with every hop away from the "
        "root; a packet that goes up and meets a greater one shows a loop.",
        rfc(6550, "3.5"), ("flow.routing.sender_rank", "RPI", "ETX", "rank-not-above-parent"),
    ),
    "objective function (OF)": Gloss(
        "The rule by which a node of RPL chooses its parent and works out its rank. OF0 goes by the parent's rank and "
        "a step for the link; MRHOF adds up a metric, usually ETX, and changes only for something clearly better "
        "(hysteresis).",
        rfc(6550, "3.2.1"), ("rank", "ETX", "DODAG configuration option"), also=("OF0", "MRHOF", "hysteresis"),
    ),
    "expected transmissions (ETX)": Gloss(
        "How often a frame is sent on average until it is acknowledged: 1 is a perfect link. RPL's usual metric; in "
        "messages it counts in units of 1/128.",
        rfc(6551, "4.3.2"), ("header ETX", "loss", "column tries", "MRHOF"),
    ),
    "trickle": Gloss(
        "The timer of DIOs: while all agree the interval doubles up to a greatest one, and a node that hears enough "
        "others is silent; what disagrees sets it back to the least.",
        rfc(6550, "8.3"), ("upkeep.dio_s", "DODAG configuration option"), also=("trickle timer", "Imin", "Imax"),
    ),
    "mode of operation (MOP)": Gloss(
        "The field of a DIO that says how the way down is found: not at all, non-storing, storing, storing with "
        "multicast.",
        rfc(6550, "6.3.1"), ("storing", "non-storing", "DODAG information object"),
    ),
    "DTSN": Gloss(
        "Destination advertisement trigger sequence number: when a parent counts it up in its DIO, nodes send their "
        "DAOs anew.",
        rfc(6550, "6.3.1"), ("DODAG information object", "DAO"),
    ),
    "grounded (floating)": Gloss(
        "A bit of the DIO: the root leads where the network is to lead, as to the outside. A floating DODAG only "
        "keeps nodes connected meanwhile.",
        rfc(6550, "3.2.4"), ("DODAG information object",),
    ),
    "RPL instance (RPLInstanceID)": Gloss(
        "One or more DODAGs with one objective function, known by a number; a node may be in several. In 6LoRH number "
        "0 takes no octet.",
        rfc(6550, "3.1.2"), ("flow.routing.instance", "DODAG"),
    ),
    "RPL packet information (RPI)": Gloss(
        "What a packet carries within RPL to show loops: direction, the sender's rank, the instance. It is an option "
        "of IPv6, or an RPI-6LoRH.",
        rfc(6553, "3"), ("flow.routing.rpi", "RPL option", "RPI-6LoRH"),
    ),
    "source route (SRH)": Gloss(
        "The routers that a packet is to pass, written in it by the root in non-storing mode: RPL's source routing "
        "header, or an SRH-6LoRH, without the octets that all addresses share.",
        rfc(6554, "3"), ("flow.routing.route", "source routing header", "SRH-6LoRH", "non-storing"), also=("RH3",),
    ),
    "root (sink)": Gloss(
        "The node that all paths of RPL lead to, usually the border router.",
        rfc(6550, "2"), ("station.role", "tree", "6LBR"), also=("DODAG root",),
    ),
    "parent": Gloss(
        "The neighbour one step nearer to the root to which a node sends what goes up.",
        rfc(6550, "8.2.1"), ("station.parent", "tree", "rank"),
        also=("preferred parent",),
    ),
    "poisoning (poison)": Gloss(
        "Advertising an infinite rank: a node says that nobody should send through it any more.",
        rfc(6550, "8.2.2.5"), ("rank", "local repair"),
    ),
    "DODAG repair": Gloss(
        "Global repair: the root counts the version up and the graph is built anew. Local repair: a node that lost "
        "its parents detaches, poisons what is below it, and joins again.",
        rfc(6550, "3.2.2"), ("poison", "trickle"), also=("local repair", "global repair", "repair"),
    ),
}  # fmt: skip


SEALED = {
    "object security (OSCORE)": Gloss(
        "Protects a CoAP message from end to end: payload, code and most options are encrypted, so that proxies and "
        "routers can pass it on and not read it. It costs an option and a tag.",
        rfc(8613, "1"), ("flow.oscore", "header OSCORE", "Partial IV", "kid"),
    ),
    "master salt (salt)": Gloss(
        "Octets that both ends of OSCORE may share beside the master secret: keys and common IV are derived from both. "
        "Where none is given it is empty.",
        rfc(8613, "3.1"), ("[[oscore]]", "common IV"),
    ),
    "common IV": Gloss(
        "The part of OSCORE's nonces that stays: derived from master secret, salt and ID context, the same at both "
        "ends and never sent. Each nonce is it, combined bit by bit (XOR) with the ID of who chose the partial IV, "
        "and that number.",
        rfc(8613, "5.2"), ("Partial IV", "nonce", "master salt"),
    ),
    "partial IV (PIV)": Gloss(
        "The sequence number of an OSCORE message, without leading zeros: 1 octet to begin with, 2 after 256 "
        "messages. It makes the nonce and shows replays.",
        rfc(8613, "6.1"), ("Partial IV length", "flow.oscore", "nonce"),
    ),
    "key ID of OSCORE (kid)": Gloss(
        "The sender ID as an OSCORE request carries it: finds the security context at the receiver. With a kid "
        "context where the same ID stands for several.",
        rfc(8613, "5.1"), ("kid flag", "kid context flag", "flow.oscore.sender_id"), also=("kid context", "ID context"),
    ),
    "COSE": Gloss(
        "Encrypted objects in CBOR. OSCORE sends one of them in a shorter form of its own.",
        rfc(8613, "5"), ("OSCORE", "CBOR"),
    ),
    "replay window": Gloss(
        "The last sequence numbers that a receiver remembers, so that one that comes late is taken and one that comes "
        "twice is not.",
        rfc(8613, "7.4"), ("replay", "partial IV", "epoch"),
    ),
    "additional authenticated data (AAD)": Gloss(
        "What is protected against changes and goes in clear: of a frame its header, of DTLS the record's header, of "
        "OSCORE the request that a response belongs to.",
        rfc(8613, "5.4"), ("MIC", "CCM*"),
    ),
    "AEAD tag": Gloss(
        "What proves that a message comes from a holder of the key and was not changed, behind the ciphertext: 8 "
        "octets of CCM-8 suites, 16 of others. A frame's own is called MIC.",
        rfc(6655, "6.1"), ("flow.oscore", "DTLS cipher suites", "MIC"), also=("tag", "AEAD", "CCM-8", "AES-CCM-8"),
    ),
    "datagram transport layer security (DTLS)": Gloss(
        "Protects what two ends send each other over UDP: a handshake agrees on keys, then each record carries epoch, "
        "sequence number, ciphertext and tag.",
        rfc(9147, "1"), ("flow.dtls", "header DTLS", "epoch", "DTLS cipher suites"),
    ),
    "record": Gloss(
        "One protected piece of DTLS: header, ciphertext, tag. That of 1.3 can be shorter: low bits of epoch and "
        "sequence number, no length.",
        rfc(9147, "4"), ("header DTLS", "epoch"),
        also=("DTLS record",),
    ),
    "epoch of DTLS (epoch)": Gloss(
        "Counts the keys of a DTLS association: 0 is in clear, each change of keys begins the next, in which the "
        "sequence numbers start again.",
        rfc(9147, "4.2"), ("flow.dtls.epoch", "header epoch", "message.field.epoch"),
    ),
    "connection ID": Gloss(
        "Octets in a DTLS record that find the association though address or port of the node have changed.",
        rfc(9146, "3"), ("flow.dtls.cid", "connection ID present"),
    ),
    "handshake": Gloss(
        "The messages by which two ends of DTLS agree on version, suite and keys, before anything else is sent. Over "
        "such links it takes many frames: keys known before (PSK) shorten it.",
        rfc(9147, "5"), ("handshake type", "DTLS", "epoch"), also=("pre-shared key", "PSK"),
    ),
    "cipher suite": Gloss(
        "The set of algorithms that a DTLS association uses; it decides the octets of nonce and tag in each record.",
        rfc(6655, "3"), ("flow.dtls.suite", "DTLS cipher suites"),
    ),
}  # fmt: skip

CONTENT = {
    "sensor measurement lists (SenML)": Gloss(
        "A standard form of measurements in JSON or CBOR: a pack is a list of records, each with name, unit, value, "
        "time; what all share stands once as a base (bn, bt, bu, bv). A message of a design file is much shorter and "
        "needs its format.",
        rfc(8428, "4"), ("message", "CBOR", "column encoding"), also=("pack", "base name", "base time", "bn", "bt"),
    ),
    "CBOR": Gloss(
        "A binary form of what JSON can say: each item begins with an octet for type and length.",
        rfc(8949, "3"), ("SenML", "column encoding"),
    ),
    "MessagePack": Gloss(
        "A binary form of what JSON can say, older than CBOR and much like it: an octet for type and length before "
        "each value (its own specification, from memory).",
        see=("JSON", "CBOR", "column encoding"),
    ),
    "ASN.1 UPER": Gloss(
        "A form of values in which a description that both sides have (ASN.1) says what each bit means, and no types "
        "or lengths go along that it fixes: the unaligned packed encoding rules (ITU-T X.691, from memory).",
        see=("bit-packed", "column encoding"),
        also=("UPER", "ASN.1", "packed encoding rules"),
    ),
}  # fmt: skip

WORDS = IPV6 | RPL | SEALED | CONTENT
