"""What each header, command and element of IEEE 802.15.4 is for, in a sentence or two; from memory, as layouts are."""

_HEADERS = {
    "MAC (control)": (
        "The frame control field of versions 0 and 1, the first 2 octets of a frame: its type, and which addresses and "
        "PAN IDs the rest of the MAC header (MHR) carries."
    ),
    "MAC (control 2015)": (
        "The frame control field of version 2, which may leave out the sequence number and announces information "
        "elements."
    ),
    "MAC (multipurpose short)": "The frame control field of a multipurpose frame, in its form of one octet.",
    "MAC (multipurpose long)": "The frame control field of a multipurpose frame, in its form of two octets.",
    "security control (control)": (
        "The first octet of the auxiliary security header: the level, how the key is named, and whether the frame "
        "counter is left out."
    ),
    "security control (control 2006)": (
        "The same octet in frames of version 1: no bit can leave the frame counter out."
    ),
    "PAN ID compression, versions 0 and 1": "Which PAN IDs and addresses go, by the bit of that name in them.",
    "PAN ID compression, version 2": "Which PAN IDs and addresses go, by the bit of that name in version 2.",
    "PAN ID present, multipurpose frames": "Which PAN IDs and addresses go in multipurpose frames.",
    "beacon": "What a beacon of versions 0 and 1 tells of its network, behind the MAC header.",
    "superframe specification": "How long a superframe is, what of it is active, and whether devices may join.",
    "GTS specification": "How many guaranteed time slots a beacon lists.",
    "pending address specification": "How many addresses a beacon lists for which the coordinator holds frames.",
    "header IE": "How an information element in the MAC header begins: its length and its id.",
    "payload IE": "How an information element in front of the payload begins: its length and its group.",
    "short nested IE": "How an element inside an MLME IE begins that has up to 255 octets.",
    "long nested IE": "How an element inside an MLME IE begins that may have up to 2047 octets.",
}

_COMMANDS = {
    "association request": "A device asks a coordinator to be taken into its PAN.",
    "association response": "The coordinator's answer: a short address, or a status that refuses.",
    "disassociation notification": "Tells that a device leaves its PAN, or must.",
    "data request": "A device that slept asks its coordinator for what is held for it (poll).",
    "PAN ID conflict notification": "A device tells its coordinator that another PAN has the same ID.",
    "orphan notification": "A device that lost its coordinator asks on each channel whether it is there.",
    "beacon request": "Asks all coordinators that hear it for a beacon.",
    "coordinator realignment": "A coordinator tells a lost device its address, or all that PAN ID or channel change.",
    "GTS request": "A device asks for guaranteed time slots, or gives them back.",
    "vendor-specific command": "A command whose content a vendor, named by its OUI, defines.",
    "TRLE management request": "Asks for a setting of relays that extend the range of a link (TRLE).",
    "TRLE management response": "The answer to a TRLE management request.",
    "DSME association request": "Association in a network with slots of DSME, with what it needs to know for them.",
    "DSME association response": "The answer to a DSME association request.",
    "DSME GTS request": "A node asks a neighbour for slots of DSME, to give them back, or to change them.",
    "DSME GTS response": "The answer to a DSME GTS request.",
    "DSME GTS notify": "Tells all neighbours which slots of DSME were agreed on.",
    "DSME information request": "Asks a neighbour for what it knows of its slots of DSME.",
    "DSME information response": "The answer to a DSME information request.",
    "DSME beacon allocation notification": "A coordinator tells which slot it takes for its beacon.",
    "DSME beacon collision notification": "Tells a coordinator that its beacon's slot is another's already.",
    "DSME link report": "Tells how well a node hears its neighbours, channel by channel.",
    "RIT data request": "A node that mostly sleeps tells that it listens for a moment now.",
    "DBS request": "Asks for a device's place in a group that shares a band by a database (DBS).",
    "DBS response": "The answer to a DBS request.",
    "RIT data response": "Answers a RIT data request: whether something is held for its sender.",
}

_ELEMENTS = {
    "vendor-specific header IE": "Content in the header that a vendor, named by its OUI, defines.",
    "CSL IE": "When a node that samples the channel will listen next, and how often it does.",
    "RIT IE": "How often, and for how long, a node that mostly sleeps announces that it listens.",
    "DSME PAN descriptor IE": "In a beacon of DSME: how the network's slots and superframes are laid out.",
    "rendezvous time IE": "In a wake-up frame: how long it is until the frame that the neighbour is woken for.",
    "time correction IE": "In an acknowledgement: how far the frame was off its time, and whether it was taken.",
    "extended DSME PAN descriptor IE": "The same as the DSME PAN descriptor, with larger numbers.",
    "fragment sequence context description IE": "How a frame is cut into pieces by the PHY's own fragmentation.",
    "simplified superframe specification IE": "A superframe specification for beacons of version 2.",
    "simplified GTS specification IE": "Guaranteed time slots for beacons of version 2.",
    "LECIM capabilities IE": "What a device can do of the PHYs for far-off sensors (LECIM).",
    "TRLE descriptor IE": "How relays that extend the range of a link take turns.",
    "RCC capabilities IE": "What a device can do of the PHYs for rail networks (RCC).",
    "RCCN descriptor IE": "How a network for rail (RCCN) lays out its superframe.",
    "global time IE": "The time of day, as the network's coordinator has it.",
    "DA IE": "Which device a frame without addresses is for.",
    "header termination 1 IE: payload IEs follow": "Ends elements of the header, where those of the payload follow.",
    "header termination 2 IE: the payload follows": "Ends elements of the header, where the payload follows at once.",
    "encapsulated service data unit IE": "Carries the data of a layer above as it is.",
    "MLME IE": "Holds further elements, short and long ones, that manage the link: slots, schedules, hopping.",
    "vendor-specific payload IE": "Content in front of the payload that a vendor, named by its OUI, defines.",
    "IETF IE": "Holds what IETF protocols exchange with a neighbour, such as 6P; its first octet says which.",
    "payload termination IE": "Ends the elements in front of the payload.",
}

_NESTED = {
    "TSCH synchronization IE": "In an enhanced beacon: the absolute slot number of its slot, and the join metric.",
    "TSCH slotframe and link IE": "In an enhanced beacon: the slotframes and cells with which a node begins.",
    "TSCH timeslot IE": "In an enhanced beacon: the times within a slot, by number or one by one.",
    "hopping timing IE": "When an unslotted network changes its channel, and where in that time it is.",
    "enhanced beacon filter IE": "In a beacon request: who shall answer it.",
    "MAC metrics IE": "One counter of a node's MAC, such as its retries.",
    "all MAC metrics IE": "All counters of a node's MAC.",
    "coexistence specification IE": "What networks that share a channel tell each other about their beacons.",
    "SUN device capabilities IE": "Which PHYs, bands and rates of smart utility networks (SUN) a device has.",
    "SUN FSK generic PHY IE": "A SUN FSK PHY described in full: rate, modulation, channels.",
    "mode switch parameter IE": "What a sender will change to when it switches the PHY mode within a frame.",
    "PHY parameter change IE": "When a network changes channel, rate or other parts of its PHY.",
    "O-QPSK PHY mode IE": "Which mode of the SUN O-QPSK PHY is used.",
    "PCA allocation IE": "When urgent frames may be sent ahead of others (priority channel access).",
    "LECIM DSSS operating mode IE": "How the LECIM DSSS PHY is set: spreading, preamble, size of its pieces.",
    "LECIM FSK operating mode IE": "How the LECIM FSK PHY is set.",
    "TVWS PHY operating mode description IE": "How a PHY for unused television channels (TVWS) is set.",
    "TVWS device capabilities IE": "What a device can do of the PHYs for unused television channels.",
    "TVWS device category IE": "Whether a device in unused television channels is fixed, portable or led by another.",
    "TVWS device identification IE": "Who a device is, for the database of unused television channels.",
    "TVWS device location IE": "Where a device is, for the database of unused television channels.",
    "TVWS channel information query IE": "Asks which television channels are unused, or answers that.",
    "TVWS channel information source IE": "Who can tell which television channels are unused.",
    "CTM IE": "How a node that knows unused television channels tells of a change of their use (CTM).",
    "timestamp IE": "When the frame was sent, by its sender's clock.",
    "timestamp difference IE": "How long it is since another frame was sent or came.",
    "TMCTP specification IE": "How coordinators of a tree that hops channels lay out their superframes (TMCTP).",
    "RCC PHY operating mode IE": "How a PHY for rail networks is set.",
    "vendor-specific nested IE (short information elements nested in an mlme ie.)": (
        "Content of up to 255 octets inside an MLME IE that a vendor, named by its OUI, defines."
    ),
    "vendor-specific nested IE (long information elements nested in an mlme ie.)": (
        "Content of up to 2047 octets inside an MLME IE that a vendor, named by its OUI, defines."
    ),
    "channel hopping IE": "The hopping sequence of a network, by number or in full.",
}

ABOUT = _HEADERS | _COMMANDS | _ELEMENTS | _NESTED
