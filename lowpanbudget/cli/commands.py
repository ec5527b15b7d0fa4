"""Every command and what it does, in one line, by what it is about."""

# The command is ``command`` in the module of the same name in this package.
GROUPS = {
    "Designs and what they carry": {
        "init": "Write a design to begin with: commented, and its messages fit as it stands.",
        "budget": "Show the room in a frame of each flow, where its octets go, and what would free more.",
        "sweep": "Add up the room of all settings of a design, and show those that none surpasses.",
        "fit": "Show how each message packs into bits and whether it fits.",
        "airtime": "Show what each frame takes on the air, wait by wait and octet by octet, and its energy.",
        "carry": "Say whether the network carries its messages and what decides; or what becomes of a burst.",
    },
    "Messages": {
        "weigh": "Show what each field of a message costs and gives, and what smaller would lose.",
        "compatible": "Say what receivers of an old message format read from a new one.",
        "encodings": "Show what the same values take in other encodings, in octets and frames.",
        "generate": "Write C for the node that packs and unpacks a message.",
        "pack": "Show the octets of a message with given values.",
        "unpack": "Show the values in the octets of a message, with units.",
    },
    "Frames and captures": {
        "compress": "Turn an IPv6 datagram into its shortest 6LoWPAN form.",
        "decompress": "Turn a 6LoWPAN payload back into the IPv6 datagram.",
        "annotate": "Explain every octet of a frame.",
        "audit": "Say what a capture proves to be wrong, wasteful or risky, worst first.",
        "survey": "Show where the octets of captures go, by flow, node, kind of frame and layer.",
        "measure": "Show what a capture tells of rates, losses, hops and latency, beside what is planned.",
        "expand": "Write the IPv6 datagrams of a capture, or its frames decrypted, as another capture.",
        "shrink": "Write the frames of a design for the IPv6 datagrams of a capture.",
    },
    "To show and to look up": {
        "page": "Write one page to show to others: why payloads of a design are capped, what a capture proves.",
        "explain": "Explain a term, a header or a finding: what it is, its rows, its clauses.",
        "schema": "Print the JSON Schema of design files, for editors.",
    },
}
COMMANDS = {name: about for group in GROUPS.values() for name, about in group.items()}
