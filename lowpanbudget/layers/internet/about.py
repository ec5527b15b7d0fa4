"""What each header, message and option above 6LoWPAN is for, in a sentence or two, from the clause its layout cites."""

_HEADERS = {
    "IPv6": (
        "The header of every IPv6 packet, 40 octets: both addresses, the length of what follows, the hop limit, and "
        "which header is next. IPHC sends few of them."
    ),
    "extension header": (
        "How every IPv6 extension header begins: the number of the header behind it, and its own length in units of 8 "
        "octets, the first 8 not counted."
    ),
    "fragment header": (
        "The extension header by which an IPv6 source cuts packets, for any link. Fragments of 6LoWPAN are another "
        "thing: FRAG1 and FRAGN cut a datagram for one link alone."
    ),
    "routing header (routing)": "How an IPv6 routing header begins: its type, and how many addresses are left.",
    "routing header (routingheader)": (
        "A routing header of a type that is not read further: what follows its four octets stays as it is."
    ),
    "source routing header": (
        "RPL's routing header: the routers on the way down, without the octets that they share with the destination. "
        "SRH-6LoRH stands for it on the air."
    ),
    "Pad1": "One octet of padding among the options of an extension header.",
    "PadN": "Two octets or more of padding among the options of an extension header.",
    "RPL option": (
        "The RPL packet information as a hop-by-hop option: direction, error flags, instance and rank of the sender. "
        "RPI-6LoRH stands for it on the air."
    ),
    "UDP": "The header of UDP, 8 octets: both ports, the length and a checksum, which IPv6 makes mandatory.",
    "ICMPv6": "How every message of ICMPv6 begins: its type, its code, and a checksum over the pseudo-header too.",
    "ICMPv6 types": "What the type of an ICMPv6 message means.",
    "ICMPv6 message": "A message of ICMPv6 that is not read further: its octets stay as they are.",
    "CoAP": (
        "The 4 octets that begin every message of CoAP: confirmable or not, how long the token is, method or response, "
        "and the message ID. Token, options and payload follow."
    ),
    "CoAP codes": "Methods and responses of CoAP, by number.",
    "CoAP options": "Options of CoAP, by number: what each means, how long it may be, whether it may come again.",
    "OSCORE": "The value of the OSCORE option: which key and which sequence number (Partial IV) seal the message.",
    "DTLS (record)": (
        "The header of a record of DTLS 1.2, and of plaintext in 1.3: content type, version, epoch, number."
    ),
    "DTLS (length)": "The last field of that header, behind the connection ID where there is one: octets that follow.",
    "DTLS (unified)": (
        "The short header of sealed records of DTLS 1.3: its bits say which of connection ID, long number and length "
        "follow."
    ),
    "DTLS (handshake)": "How every handshake message begins: its type, its length, and which piece of it this is.",
    "DTLS (alert)": "What one end tells the other when something is wrong, or that it closes.",
    "DTLS cipher suites": "The sets of algorithms that records are read with here, and the octets that each adds.",
}

_ERRORS = {
    "destination unreachable": "An answer to a packet that could not be delivered: the code says why.",
    "packet too big": "An answer to a packet that was longer than the next link carries, with the size that it does.",
    "time exceeded": "An answer to a packet whose hop limit ran out, or that was not put together in time.",
    "parameter problem": "An answer to a packet with a field that cannot be processed, and where it stands.",
    "echo request": "Asks a node to send the same octets back (ping).",
    "echo reply": "Sends the octets of an echo request back.",
}

_DISCOVERY = {
    "router solicitation": "A host asks routers for an advertisement, and so for prefixes and contexts.",
    "router advertisement": "A router tells that it is one, and which prefixes and contexts there are.",
    "neighbor solicitation": "Asks for the link address of a node, whether it is there, or to register an address.",
    "neighbor advertisement": "Answers a neighbor solicitation; with a registration in it, by its status.",
    "redirect": "A router tells a host of a better first hop to a destination.",
    "duplicate address request": "A router asks the border router whether a node may register an address (DAR, EDAR).",
    "duplicate address confirmation": "The border router's answer to a duplicate address request (DAC, EDAC).",
    "source link-layer address option": "The link address of the sender of the message.",
    "target link-layer address option": "The link address of the node that the message is about.",
    "prefix information option (options of neighbour discovery.)": (
        "A prefix that a router announces: for how long, and whether nodes may make addresses of it."
    ),
    "redirected header option": "The beginning of the packet because of which a redirect was sent.",
    "MTU option": "How long packets on this link may be.",
    "recursive DNS server option": "Addresses of name servers, and for how long to use them.",
    "address registration option": (
        "What a node registers its address with at its router (ARO), or with a proof of ownership (EARO); the answer "
        "has a status."
    ),
    "6LoWPAN context option": (
        "Announces a compression context (6CO): its number, the prefix that it stands for, and whether it may be "
        "used to compress or only to expand."
    ),
    "authoritative border router option": (
        "Says which border router the prefixes and contexts of a message are from, and in which version."
    ),
    "6LoWPAN capability indication option": "What the sender can do beyond the basics, such as read byte code (GHC).",
}

_RPL = {
    "DODAG information solicitation": "A node asks its neighbours for a DIO (DIS).",
    "DODAG information object": "Announces a DODAG (DIO): its root's name, the sender's rank, how it is run.",
    "destination advertisement object": "Tells parents or the root by which way a node can be reached (DAO).",
    "destination advertisement object acknowledgement": "Answers a DAO: taken, or refused with a status.",
    "consistency check": "Asks whether security counters are still the same, or answers that.",
    "RPL security section": "What stands in front of a secure RPL message: which key, which level, which counter.",
    "Pad1 option": "One octet of padding among the options of an RPL message.",
    "PadN option": "Two octets or more of padding among the options of an RPL message.",
    "DAG metric container option": "What a path costs or must not exceed: a list of metrics and constraints.",
    "route information option": "A prefix outside the network that is reached by this root.",
    "DODAG configuration option": "How a DODAG runs: timers, how ranks grow, how long routes hold.",
    "RPL target option": "An address, prefix or group that a DAO says can be reached.",
    "transit information option": "The way to the targets before it: for how long, and, in non-storing mode, by whom.",
    "solicited information option": "Which DODAGs a DIS asks for.",
    "prefix information option (options of rpl messages.)": (
        "A prefix that the root announces down the DODAG: for how long, and whether nodes may make addresses of it."
    ),
    "RPL target descriptor option": "A tag of the operator's own for the target before it.",
    "DAG metric object": "The beginning of each metric or constraint: its type, how it is added up, its length.",
    "node state and attribute": "Metric: whether a node can aggregate data, and whether it is overloaded.",
    "node energy": "Metric: what a node is powered by, and how much of its energy is left.",
    "hop count": "Metric: how many nodes a path passes.",
    "throughput": "Metric: how many octets per second a link or path carries.",
    "latency": "Metric: how many microseconds a link or path takes.",
    "link quality level": "Metric: how good links are, from 1, the best, to 7.",
    "ETX": "Metric: how often a frame is sent, as expected, until it has come, in units of 1/128.",
    "link color": "Metric: marks that an operator gives links, to have them taken or left.",
}

_FIELDS = {
    "fragment header.fragment offset": "where this piece begins in the part that is cut, in units of 8 octets",
    "fragment header.identification": "the same for all fragments of a packet",
    "fragment header.next header": "the number of the header that the first fragment goes on with",
    "extension header.next header": "the number of the header behind this one",
    "extension header.hdr ext len": "its length in units of 8 octets, the first 8 not counted",
    "source routing header.hdr ext len": "its length in units of 8 octets, the first 8 not counted",
    "IPv6.next header": "the number of the header behind this one, such as 17 for UDP",
    "IPv6.hop limit": "how many routers may still pass the packet on",
    "IPv6.flow label": "marks packets that belong together; 0 where nothing does",
    "UDP.source port": "which program of the sender it is from",
    "UDP.destination port": "which program of the receiver it is for",
}

ABOUT = _HEADERS | _ERRORS | _DISCOVERY | _RPL | _FIELDS
