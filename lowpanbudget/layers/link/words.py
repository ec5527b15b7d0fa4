"""Words of the link: what people call things that no table here has as its name.

Clauses of IEEE 802.15.4 are from memory; where an RFC says it too, that is cited.
"""

from lowpanbudget.cites import ieee, rfc
from lowpanbudget.fields import Gloss
from lowpanbudget.layers.link import auxiliary, fcs, nonces

_MICS = sorted({level.mic for level in auxiliary.LEVELS if level.mic})
_LEVELS = "; ".join(f"{number} {level}" for number, level in enumerate(auxiliary.LEVELS))
SLOTS = {
    "time-slotted channel hopping (TSCH)": Gloss(
        "A way to the air without contention. Time is cut into slots that all nodes count alike, and a schedule says "
        "who sends to whom in which slot; the channel is another each time, so that one that is disturbed spoils few "
        "tries. Each slot has room for one frame and its acknowledgement.",
        rfc(7554, "appendix A"), ("access.slots", "slotframe", "cell", "guard", "ASN"),
    ),
    "absolute slot number (ASN)": Gloss(
        "How many slots have passed since the network began: the clock that all its nodes share. With a cell's "
        "channel offset it gives the channel, and in place of the frame counter it goes in the nonce of a secured "
        "frame.",
        rfc(7554, "appendix A.6"), ("TSCH synchronization IE", "ASN in nonce", "TSCH"),
    ),
    "slot": Gloss(
        "A short time of fixed length in which one frame is sent and acknowledged. A template says where in it the "
        "frame and the answer stand.",
        rfc(7554, "appendix A.1"), ("access.slots.template", "slotframe", "guard", "TSCH timeslot IE"),
        also=("time slot", "timeslot"),
    ),
    "timeslot template (macTimeslotTemplate)": Gloss(
        "The times of a slot in microseconds: when a frame begins (macTsTxOffset), how long it may be on the air "
        "(macTsMaxTx), when its acknowledgement begins behind it (macTsTxAckDelay) and how long that may be "
        "(macTsMaxAck), all within the slot (macTsTimeslotLength). 10ms is the standard's own, 15ms that of RFC 8180, "
        "sun-fsk-50 one for 50 kb/s (common practice, no standard). The octets that go into macTsMaxTx are the longest "
        "frame that a slot has time for (in_slot in JSON).",
        rfc(8180, "appendix A"), ("access.slots.template", "access.slots.max_frame_us", "access.slots.slot_us", "slot"),
        also=(
            "macTsTxOffset", "macTsMaxTx", "macTsTxAckDelay", "macTsMaxAck", "macTsTimeslotLength", "sun-fsk-50",
            "in_slot", "slot template",
        ),
    ),
    "channel offset": Gloss(
        "The row of the schedule that a cell stands in. The channel itself is looked up anew in each slot: entry (ASN "
        "+ channel offset) modulo length of the hopping sequence.",
        rfc(7554, "appendix A.7"), ("cell", "hopping sequence"),
    ),
    "channel hopping": Gloss(
        "Sending each time on another channel, in an order that all nodes know: the hopping sequence. Interference "
        "and fading differ from channel to channel, so a retry has a fresh chance.",
        rfc(7554, "appendix A.7"), ("channel offset", "access.slots.channels", "channel hopping IE"),
        also=("hopping sequence",),
    ),
    "shared cell": Gloss(
        "A cell in which several nodes may send: they collide, and who gets no acknowledgement waits a random number "
        "of such cells. A dedicated cell has one sender.",
        rfc(7554, "appendix A.5"), ("access.slots.shared_cells", "cell"),
        also=("dedicated cell",),
    ),
    "enhanced beacon (EB)": Gloss(
        "The beacon of a network in slots: a frame of version 2 whose information elements tell who wants to join the "
        "ASN, the slot template, the hopping sequence and the cells to begin with. The join metric in it tells how "
        "far from the root the sender stands.",
        rfc(7554, "appendix A.11"), ("upkeep.beacon_s", "TSCH synchronization IE"),
        also=("join metric",),
    ),
    "keep-alive (KA)": Gloss(
        "A frame without content, sent because a node was silent for long: its acknowledgement says how far the "
        "clocks have drifted apart.",
        rfc(7554, "appendix A.8"), ("upkeep.keep_alive_s", "drift"),
    ),
    "drift (ppm)": Gloss(
        "How fast two clocks run apart, in parts per million: 20 ppm are 20 µs in a second. Each node may be off so "
        "much, so two may differ by twice that; slots need a guard that covers it until they hear each other again.",
        rfc(7554, "appendix A.8"), ("access.slots.drift_ppm", "guard", "keep-alive"),
        also=("clock drift",),
    ),
    "6top protocol (6P)": Gloss(
        "How two neighbours agree on cells between them: requests and responses in information elements. When to ask "
        "for more is left to a scheduling function such as MSF.",
        rfc(8480, "3"), ("IETF IE", "MSF"),
        also=("6top",),
    ),
    "minimal scheduling function (MSF)": Gloss(
        "The rule by which a node of a 6TiSCH network asks its parent for cells or gives some back: it counts how "
        "many of its cells it used, and gets further ones when most were.",
        rfc(9033, "1"), ("6P", "access.slots.cells"),
    ),
    "IPv6 over the slots of TSCH (6TiSCH)": Gloss(
        "The set of standards that lets 6LoWPAN and RPL run over time-slotted channel hopping: a minimal schedule, "
        "6P, a way to join.",
        rfc(9030, "1"), ("TSCH", "6P", "pledge"), also=("minimal schedule", "minimal configuration"),
    ),
    "pledge": Gloss(
        "A node that wants to join a 6TiSCH network. A neighbour that is a member, its join proxy, passes its request "
        "on to the registrar (JRC), which answers with the keys of the network (CoJP), sealed by OSCORE.",
        rfc(9031, "4"), ("enhanced beacon", "OSCORE"),
        also=("join proxy", "join registrar", "JRC", "CoJP"),
    ),
}  # fmt: skip

FRAMES = {
    "medium access control (MAC)": Gloss(
        "The part of the link that makes frames, names their two ends, has them acknowledged and sent again, and waits "
        "for its turn on the air. Its header stands at the front of each frame and says from whom to whom it goes; at "
        "the end stand its integrity code (MIC) and check sequence (FCS). Above it stands 6LoWPAN, below it the PHY.",
        rfc(4919, "2"), ("frame", "header MAC", "PHY", "MIC", "FCS", "short address"),
        also=("MAC layer", "link layer", "MAC (MIC, FCS)"),
    ),
    "MAC header (MHR)": Gloss(
        "All that stands in a frame before its payload: frame control (2 octets, which say what follows), sequence "
        "number, PAN IDs and addresses, under security the auxiliary security header, and header information elements. "
        "The check sequence at the end is the MAC footer (MFR).",
        ieee(2015, "7.2"), ("header MAC", "auxiliary security header", "header IE", "FCS"),
    ),
    "physical layer (PHY)": Gloss(
        "The radio of a node: on which band it sends, with which signal and how fast. It decides how long a frame may "
        "be, 127 octets at most for most radios, and how long each octet takes on the air.",
        rfc(4919, "2"), ("link.phy", "aMaxPhyPacketSize", "airtime", "MAC"),
        also=("PHY layer", "radio layer"),
    ),
    "frame check sequence (FCS)": Gloss(
        f"The last octets of a frame, {' or '.join(map(str, fcs.LENGTHS[1:]))} by the PHY: a check (a CRC) against "
        "errors on the air, not against an attacker. A frame that fails it is dropped without a word.",
        fcs.CITE, ("check-sequence-wrong", "MIC", "message check"),
        also=("CRC", "MFR"),
    ),
    "acknowledgement (ACK)": Gloss(
        "What the receiver of a frame sends back at once to say that it came; without it the frame is sent again. The "
        "short one (Imm-Ack) holds the sequence number alone; the one of version 2 (Enh-Ack) has addresses, security "
        "and information elements like any frame. It says nothing about further hops. CoAP, RPL and recoverable "
        "fragments have their own.",
        ieee(2015, "7.3.3"), ("link.acknowledged", "access.retries", "ack request", "DAO-ACK", "RFRAG-ACK", "CON"),
        also=("imm-ack", "enh-ack"),
    ),
    "information element (IE)": Gloss(
        "A piece of a frame of version 2 that says what it is and how long: a header IE stands in the clear behind the "
        "addresses, a payload IE before the payload and sealed with it. Slots, schedules and 6P are told so. A "
        "termination says where they end.",
        ieee(2015, "7.4"), ("header IE", "payload IE", "IE present", "IETF IE", "link.header_ie"),
        also=("information elements", "IEs"),
    ),
    "association": Gloss(
        "How a device joins a PAN by commands: it sends an association request, the coordinator answers with a short "
        "address, or with a status that refuses it. Networks of 6TiSCH join with sealed CoAP instead.",
        ieee(2015, "6.4.1"),
        ("association request", "association response", "association-refused", "scan", "pledge"),
        also=("associate", "disassociation", "joining"),
    ),
    "looking for networks (scan)": Gloss(
        "How a device finds a network, channel by channel. Active: it sends a beacon request and takes the beacons "
        "that answer. Passive: it only listens for beacons. Energy detection: it measures how much is on the "
        "channel. Orphan: it lost its coordinator and asks for it by name (orphan notification), which answers with "
        "a realignment.",
        ieee(2015, "6.3.1"), ("beacon request", "orphan notification", "coordinator realignment", "association"),
        also=("scanning", "active scan", "passive scan", "orphan scan", "ED scan", "energy scan"),
    ),
    "commissioning": Gloss(
        "Putting a network into operation: each node is given keys and other settings, often by a tool that is there "
        "for that time only, and then joins.",
        rfc(7102, "2"), ("association", "pledge", "link.security", "parent"),
        also=("provisioning",),
    ),
    "short address": Gloss(
        "A link address of 2 octets that a node is given when it joins; unique within its PAN alone. It saves 6 "
        "octets each time against an extended one.",
        ieee(2015, "7.2.2.9"), ("link.addresses", "station.short"),
        also=("16-bit address",),
    ),
    "extended address (EUI-64)": Gloss(
        "A link address of 8 octets that the maker gives a node, unique in the world (an EUI-64).",
        ieee(2015, "7.2.2.9"), ("link.addresses", "station.extended", "IID"),
        also=("64-bit address", "MAC address"),
    ),
    "sequence number of the MAC (DSN)": Gloss(
        "The octet by which a short acknowledgement names its frame, and a receiver tells a frame that was sent again "
        "from a new one. Data and beacons count apart.",
        ieee(2015, "7.2.3"), ("link.sequence_number",),
        also=("BSN",),
    ),
    "frame pending": Gloss(
        "A bit of frame control: the sender holds more for the receiver, which should stay awake or ask again.",
        ieee(2015, "7.2.2.4"), ("header pending", "poll"),
        also=("pending bit",),
    ),
    "poll": Gloss(
        "How a node that sleeps gets what waits for it: it sends a data request to its parent, which answers with the "
        "pending bit and then the frame.",
        ieee(2015, "7.5.5"), ("sleep", "sleep.poll_s", "data request", "frame pending"),
        also=("data poll", "polling"),
    ),
    "sleepy node": Gloss(
        "A node whose radio is off most of the time; its parent keeps frames for it until it asks.",
        rfc(7102, "2"), ("sleep", "poll", "CSL", "RIT"),
        also=("sleepy end device", "SED"),
    ),
    "coordinated sampled listening (CSL)": Gloss(
        "A node that sleeps listens for a moment in a fixed period; who wants to reach it sends wake-up frames until "
        "then, or at the moment that it has learned.",
        ieee(2015, "6.12.2"), ("CSL IE", "sleepy node"),
    ),
    "receiver-initiated transmission (RIT)": Gloss(
        "A node that sleeps says in a command when it is awake, and listens behind it; who has something for it waits "
        "for that.",
        ieee(2015, "6.12.3"), ("RIT data request", "sleepy node"),
    ),
    "full-function device (FFD)": Gloss(
        "A node that can be coordinator, and so forward for others. A reduced-function device (RFD) speaks with one "
        "such node alone.",
        ieee(2015, "5.2"), ("coordinator",),
        also=("RFD", "reduced-function device"),
    ),
    "coordinator": Gloss(
        "A node that others associate with and that may send beacons; one of them, the PAN coordinator, began the "
        "network. In networks of RPL it is usually the root.",
        ieee(2015, "5.2"), ("superframe specification", "root"),
        also=("PAN coordinator",),
    ),
    "personal area network (PAN)": Gloss(
        "All nodes that share a PAN ID, 2 octets in the header: a frame for another PAN is dropped.",
        ieee(2015, "7.2.2.6"), ("link.pan_id", "link.pan_ids"),
    ),
    "superframe (CAP)": Gloss(
        "The time between two beacons of the 2003 edition's slotted networks: a contention access period (CAP) in "
        "which nodes listen before they send, then guaranteed slots (GTS) in the contention-free period (CFP). "
        "Nothing of TSCH, and hardly used with 6LoWPAN.",
        ieee(2006, "5.5.1"), ("superframe specification", "slotframe"),
        also=("CFP", "GTS", "contention access period"),
    ),
}  # fmt: skip

PROTECTION = {
    "CCM* (CCM)": Gloss(
        "How frames are protected: AES with keys of 16 octets, in a mode that encrypts and adds an integrity code, or "
        "does one of both. It needs a nonce that is never used twice with a key.",
        ieee(2015, "9.3"), ("link.security", "MIC", "nonce"),
        also=("AES-CCM", "AES"),
    ),
    "nonce": Gloss(
        "The number that makes each encryption differ, though the key is the same. Twice the same with one key gives "
        "the content away. A frame's is made of the sender's EUI-64, the frame counter and the level; it is not sent, "
        "its parts are. In slots the ASN stands in place of counter and level, and of a sender with a short address "
        "BA-55-EC, 00, PAN ID and short address in place of its EUI-64 (2015 edition, from memory; the 2012 amendment "
        "took the EUI-64). OSCORE and DTLS make theirs of a sequence number.",
        nonces.NONCE, ("frame counter", "ASN in nonce", "Partial IV", "extended-address-unknown",
                        "slot-number-unknown"),
    ),
    "message integrity code (MIC)": Gloss(
        "What proves that a frame comes from a holder of the key and was not changed: "
        f"{', '.join(map(str, _MICS[:-1]))} or {_MICS[-1]} octets before the check sequence. The levels: {_LEVELS}.",
        auxiliary.LEVELS_CITE, ("link.security.level", "CCM*", "FCS"),
        also=("ENC-MIC", "MIC-32", "MIC-64", "MIC-128", "ENC-MIC-32", "ENC-MIC-64", "ENC-MIC-128"),
    ),
    "frame counter": Gloss(
        "The number of a secured frame, 4 octets that grow with each frame under one key: it makes the nonce and shows "
        "a replay. It must survive a restart. Version 2 may leave it out in slots, where the absolute slot number "
        "stands for it.",
        auxiliary.CITE, ("link.security.frame_counter", "nonce", "replay", "frame-counter-used-twice"),
    ),
    "encryption": Gloss(
        "What keeps others from reading a payload (confidentiality): levels 4 to 7 of the link, OSCORE and DTLS from "
        "end to end. Without an integrity code, as in level 4, it can be changed unseen. Addresses, sizes and times "
        "stay in the clear: who sends to whom, and when, can be seen (privacy).",
        auxiliary.LEVELS_CITE, ("link.security.level", "CCM*", "MIC", "OSCORE", "DTLS"),
        also=("confidentiality", "privacy"),
    ),
    "replay": Gloss(
        "A true frame that an attacker sends once more. Receivers remember the greatest frame counter of each sender "
        "and refuse what is not above it; OSCORE and DTLS keep a window of numbers instead.",
        ieee(2015, "9.2.3"),
        ("frame counter", "replay window", "frame-replayed", "open-frame-replayed", "sealed-content-replayed"),
        also=("replay protection",),
    ),
    "key file (keys)": Gloss(
        "A file of keys and what goes with them, which commands that read captures take: keys of the link, "
        "contexts and record keys of what ends seal for each other, EUI-64s of nodes with short addresses. Only its "
        "owner may read it, and no output holds a key.",
        see=("[[key]]", "[[oscore]]", "[[dtls]]", "[devices]", "key-missing"),
    ),
    "auxiliary security header (ASH)": Gloss(
        "What a secured frame tells about its protection, behind the addresses: security control 1 octet (level, how "
        "the key is named), frame counter 4, key identifier 0, 1, 5 or 9.",
        auxiliary.CITE, ("security control", "link.security"), also=("security header",),
    ),
}  # fmt: skip

WORDS = SLOTS | FRAMES | PROTECTION
