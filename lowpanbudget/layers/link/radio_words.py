"""Words of the radio and of who may use it: what people call things that no table here has as its name.

Clauses of IEEE 802.15.4 are from memory. The figures are those of the PHY that is meant where none is named.
"""

from lowpanbudget.cites import ieee, rfc
from lowpanbudget.fields import Gloss
from lowpanbudget.layers.link.mac import LARGEST_SUN_FRAME
from lowpanbudget.layers.link.phy import PHYS

_USUAL = next(iter(PHYS.values()))
_AIR = next(iter(_USUAL.rates.values()))
_BEFORE = ", ".join(part.name for part in _AIR.before_frame)
_RATES = "; ".join(
    f"{one.name} {' or '.join(map(str, one.rates))} kb/s" for one in PHYS.values() if one.rates
)


def _named(family: str) -> tuple[str, ...]:
    """Return the names that designs have for the PHYs of a family."""
    return tuple(name for name in PHYS if name.startswith(f"{family}-"))


ACCESS = {
    "listening before sending (CSMA-CA)": Gloss(
        "A node waits a random time, listens, and sends if the channel is free (CSMA-CA). If it is busy, it draws "
        "from a range twice as long; after some tries it gives up. Two nodes that do not hear each other still "
        "collide at a third. LBT is the same demand in rules for radio bands.",
        ieee(2015, "6.2.5.1"), ("access", "access.backoffs", "CCA", "backoff", "hidden node"),
        also=("CSMA", "LBT", "listen before talk"),
    ),
    "clear channel assessment (CCA)": Gloss(
        f"The moment in which a node listens whether the channel is free: {float(_AIR.cca):g} µs at {_USUAL.name}. By "
        "energy, by a signal of its own kind, or both.",
        ieee(2015, "10.2.7"), ("CSMA-CA", "access.busy", "access.slots.listens_first"),
    ),
    "energy detection (ED)": Gloss(
        "The radio measures how strong whatever is on a channel is, and does not read it: to tell whether the "
        "channel is free, or in a scan which channel is the quietest.",
        ieee(2015, "10.2.5"), ("CCA", "scan", "RSSI"),
    ),
    "backoff exponent (BE)": Gloss(
        "Says from how many units a backoff is drawn: 0 to 2^BE - 1. It begins at macMinBE and goes up by one with "
        "each busy channel, to macMaxBE at most.",
        ieee(2015, "6.2.5.1"), ("access.min_be", "access.max_be", "backoff"),
        also=("macMinBE", "macMaxBE"),
    ),
    "most backoffs (macMaxCSMABackoffs)": Gloss(
        "How often a node may find the channel busy before it gives the frame up; NB counts them.",
        ieee(2015, "6.2.5.1"), ("access.backoffs",),
        also=("NB",),
    ),
    "retries of a frame (macMaxFrameRetries)": Gloss(
        "How often a frame is sent again whose acknowledgement did not come; then it is lost to the link.",
        ieee(2015, "6.7.4.3"), ("access.retries", "acknowledgement"),
        also=("retransmissions",),
    ),
    "turnaround (aTurnaroundTime)": Gloss(
        f"How long a radio takes from receiving to sending or back: {float(_AIR.turnaround):g} µs at {_USUAL.name}. An "
        "acknowledgement begins so long behind its frame (AIFS).",
        ieee(2015, "table 11-1"), ("acknowledgement", "IFS"),
        also=("AIFS",),
    ),
    "unit backoff period (aUnitBackoffPeriod)": Gloss(
        f"The unit in which backoffs count: a turnaround and a CCA, {float(_AIR.unit_backoff):g} µs at {_USUAL.name}.",
        ieee(2020, "table 8-93"), ("access.unit_backoff_us", "backoff"),
    ),
    "spacing between frames (IFS)": Gloss(
        f"The pause that a sender leaves behind a frame so that the receiver can take it in: {float(_AIR.sifs):g} µs "
        f"behind a short frame (SIFS), {float(_AIR.lifs):g} µs behind a longer one (LIFS), at {_USUAL.name}.",
        ieee(2015, "6.2.4"), ("airtime",),
        also=("SIFS", "LIFS"),
    ),
    "hidden node": Gloss(
        "A node that a sender cannot hear and the receiver can: listening does not prevent that both send at once.",
        see=("CSMA-CA", "tree"),
        also=("hidden terminal",),
    ),
}  # fmt: skip

RADIO = {
    "PHY payload (PSDU)": Gloss(
        f"The frame as the radio carries it, from frame control to check sequence: {_USUAL.largest} octets at most of "
        f"{_USUAL.name}. The MAC calls it MPDU; with preamble, SFD and PHR it is the PPDU, and what the MAC carries "
        "for the layer above is the MSDU.",
        _USUAL.cite, ("frame", "link.phy", "PHR"),
        also=("MPDU", "PPDU", "MSDU", "aMaxPhyPacketSize"),
    ),
    "synchronization and PHY headers (SHR PHR)": Gloss(
        f"What goes before a frame on the air: {_BEFORE}; octets of the radio that let a receiver find the frame and "
        f"tell its length. At {_USUAL.name} they take {_AIR.preamble}, {_AIR.delimiter} and {_AIR.header} octets; they "
        "count as airtime, not as the frame's size.",
        ieee(2015, "table 11-1"), ("airtime", "link.preamble"),
        also=("SFD", "preamble", "PHY header", "PHY headers"),
    ),
    "O-QPSK and DSSS (O-QPSK)": Gloss(
        "The modulation of most 802.15.4 radios: offset quadrature phase-shift keying; direct-sequence spreading "
        f"sends each symbol of 4 bits as a row of chips. At 2.4 GHz an octet takes {float(_AIR.octet):g} µs. Data "
        f"rates: {_RATES}.",
        ieee(2020, "clause 12"), ("link.phy", "airtime"),
        also=("DSSS", "chip", "2.4 GHz", *_named("o-qpsk")),
    ),
    "BPSK": Gloss(
        "Binary phase-shift keying, the modulation of the first radios below 1 GHz: one bit a symbol, slow and "
        f"robust. Data rates: {_RATES}.",
        ieee(2020, "clause 13"), ("link.phy",),
        also=_named("bpsk"),
    ),
    "SUN (FSK)": Gloss(
        "The radios of smart utility networks: frequency-shift keying (FSK), OFDM, O-QPSK; longer frames than those "
        f"of the first radios, {LARGEST_SUN_FRAME} octets at most, and an FCS of 4 octets. Data rates: {_RATES}.",
        ieee(2020, "clause 19"), ("link.phy", "link.data_rate", "link.preamble"),
        also=("OFDM", "smart utility network", *_named("sun")),
    ),
    "channel (frequency)": Gloss(
        "The part of a band that one transmission takes. 2.4 GHz has 16, numbered 11 to 26, each 5 MHz from the next; "
        "868 MHz has one (number 0), 915 MHz ten (1 to 10); a channel page says of which modulation. Which may be "
        "used, how long and how loud, local rules say.",
        ieee(2015, "10.1.2"), ("link.phy", "access.slots.channels", "channel hopping", "duty cycle"),
        also=("channel page",),
    ),
    "sub-GHz (868)": Gloss(
        "Bands below 1 GHz: more range and a lower data rate than 2.4 GHz. Most have a limit on the share of time "
        f"that one may send, which differs from place to place. Data rates: {_RATES}.",
        ieee(2015, "10.1.2"), ("link.phy", "duty cycle", "limits"),
        also=("868 MHz", "915 MHz", "863 MHz"),
    ),
    "symbol": Gloss(
        f"The least that a radio sends at once; waits of the MAC count in symbols. At {_USUAL.name} one is "
        f"{float(_AIR.symbol):g} µs and holds 4 bits.",
        _AIR.cite, ("link.phy", "data rate"),
    ),
    "link quality (LQI)": Gloss(
        "What a radio says of a frame that it received: the strength of the signal (RSSI, in dBm) and how well it "
        "could be read (LQI, 0 to 255). Neither is in the frame; a capture may note them.",
        ieee(2015, "10.2.6"), ("loss", "sensitivity"),
        also=("RSSI",),
    ),
    "signal-to-noise ratio (SNR)": Gloss(
        "How far a signal stands above the noise, in decibels; with other senders among the noise it is SINR. It "
        "decides how many frames are lost. It is not worked out here: state the share that is lost.",
        see=("RSSI", "sensitivity", "loss"),
        also=("SINR", "signal to noise", "noise"),
    ),
    "bit rate": Gloss(
        f"How many bits the radio sends a second while it sends: {_RATES}. What arrives of your own data is far less: "
        "headers, waits and retries take their part.",
        _AIR.cite, ("link.data_rate", "symbol", "airtime", "goodput"),
        also=("kb/s", "kbit/s", "baud"),
    ),
    "sensitivity (dBm)": Gloss(
        "The weakest signal of which a receiver still reads 99 of 100 frames, in dBm: decibels to a milliwatt. 0 dBm "
        "is 1 mW, and 3 dB less is half of it. Range is not worked out here: state the share of frames that is lost.",
        ieee(2015, "10.1.7"), ("loss", "radio"),
    ),
    "link margin": Gloss(
        "How far a signal stands above the sensitivity of its receiver, in decibels: what fading may take before "
        "frames are lost. A link budget adds up sender, antennas and path to find it. It is not worked out here: state "
        "the share that is lost.",
        see=("sensitivity", "RSSI", "loss"),
        also=("link budget", "fade margin"),
    ),
    "interference": Gloss(
        "What other senders on the channel do to a frame, of this network or of another: the receiver loses it, or the "
        "sender finds the channel busy. It often comes in bursts, which retries within milliseconds do not outlast.",
        see=("loss", "loss.runs", "access.busy", "channel hopping", "hidden node"),
        also=("collision",),
    ),
    "bandwidth": Gloss(
        "How wide a channel is, in hertz; in talk also how much can be sent in a time, which is the bit rate, and of "
        "your own data the goodput.",
        see=("bit rate", "goodput", "channel"),
    ),
    "delivery ratio (PDR)": Gloss(
        "The share of what was sent that arrives (PDR, PRR); the share that is lost or broken is the error rate, of "
        "packets (PER) or of bits (BER). Over several hops the shares multiply.",
        rfc(7102, "2"), ("loss", "column arrive"),
        also=("PER", "BER", "PRR", "packet loss"),
    ),
    "µs (us)": Gloss(
        f"Microsecond, a millionth of a second. One octet takes {float(_AIR.octet):g} µs at {_USUAL.name}.",
        _AIR.cite, ("airtime", "column µs on air"),
        also=("microsecond",),
    ),
}  # fmt: skip

WORDS = ACCESS | RADIO
