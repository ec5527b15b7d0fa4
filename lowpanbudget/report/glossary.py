"""The words that this program uses, each in a sentence or two."""

from lowpanbudget.design.routing import MODES, MODES_WRITTEN
from lowpanbudget.fields import Gloss
from lowpanbudget.findings.finding import Certainty, Severity

_WORST_FIRST = sorted(Severity, reverse=True)

WORDS: dict[str, str | Gloss] = {
    "octet (byte)": "Eight bits, the standards' word for what is often called a byte. Every size here counts octets.",
    "frame": (
        "What a node sends over the air in one go, from the first header octet to the last octet of the check "
        "sequence. The PHY limits its size (aMaxPhyPacketSize), and everything here is about what is left inside that."
    ),
    "datagram (packet)": "One network packet in its full form, before compression or after expansion.",
    "span": (
        "A run of bits in a frame that belongs together: its name, its value, what that means, which clause "
        "of which standard puts it there, and what would make it smaller."
    ),
    "ledger": (
        "The spans of one frame in order. They cover it with no gap and no overlap, so the sum is always the "
        "frame's real size: a ledger is written by the code that writes the frame, and is no estimate."
    ),
    "room": Gloss(
        "How many octets of your own data fit in one frame of a flow, once every header, code and check "
        "sequence has its place. One octet more and the datagram is cut into fragments; where frames are longer "
        "than datagrams may be (network.mtu), it cannot be sent.",
        see=("cliff", "ledger", "column room"),
        also=("payload size", "largest payload", "headroom"),
    ),
    "line-garbled": (
        "A line of a text with frames in which something stands that should have been an octet: a letter for a digit, "
        "a digit lost, numbers in decimal. It is left out, and the place is told: nothing is judged by a part of it."
    ),
    "line-wrong": (
        "A line of a text with frames in which no octets were found. Nothing is wrong with it where no frame stands "
        "there."
    ),
    "time-not-read": (
        "A line of a text with frames has a number that may be its time, in no form that says so. Read are a date and "
        "a clock, hh:mm:ss.mmm (it goes on past midnight), and seconds with a point at the start of the line."
    ),
    "file-empty": "A capture without one octet: it holds no frame, as one that has a header alone.",
    "cliff": Gloss(
        "A payload size beyond which one more frame is needed. Each frame repeats the link's own header and trailer, "
        "takes time on the air and energy from the battery of each node on the way, and may be lost. A datagram is "
        "lost when one of its fragments is, unless the network asks for it again.",
        see=("room", "fragment"),
        also=(
            "two frames",
            "one frame more",
            "several frames",
            "more than one frame",
            "second frame",
        ),
    ),
    "bit-packed (octet-aligned)": (
        "The layout of a message: its fields follow each other bit by bit, and zero bits fill up the last octet alone; "
        "or, octet-aligned, each takes whole octets: a number fills up its most significant bits with zeros, in two's "
        "complement with its sign, flags and presence bits their last ones with zeros. Special codes, unless stated, "
        "and the escape of a series are those of the whole octets. A message states it as `layout`."
    ),
    "msb-first (lsb-first)": (
        "The bit order of a message: the first bit on the wire is the most significant one of an octet, or the least "
        "significant one. `lowpanbudget explain bit_order` shows numbers in all orders."
    ),
    "JSON": Gloss(
        "Values written out as text, each with its name: easy to read, and many octets for a frame. `encodings` tells "
        "what a message takes in it. Every command also prints its results so, with --json: one object, its names "
        "stable and counted by `version`; `lowpanbudget explain json COMMAND` tells each name, and how Python calls it "
        "where that differs.",
        see=("CBOR", "MessagePack", "column encoding"),
    ),
    "little-endian (big-endian)": Gloss(
        "The order of the octets of a number: little-endian has the least significant one first, big-endian the most "
        "significant one, as headers of IP have it. A message states it as `byte_order`.",
        see=("byte_order", "msb-first"),
    ),
    "fits (NO, does not fit)": Gloss(
        "Of a message: it goes in as many frames as its flow allows (most_frames, one unless stated), on every hop. "
        "NO, or DOES NOT FIT: it does not. Spare are the octets that are left of the room then; below 0 those that are "
        "missing. CANNOT BE MADE: taken as often as every_s of the flow says, the fewest readings of a message lie "
        "further apart than its times tell.",
        see=("room", "cliff", "flow.most_frames"),
        also=("NO", "does not fit", "cannot be made", "spare", "ok"),
    ),
    "holds (does not, open)": Gloss(
        "Of a limit that a design states, or of a number of its plan: it is kept. DOES NOT: it is not. Open: what was "
        "played or heard is too little to tell, or lies too close to the limit.",
        see=("[limits]", "confidence"),
        also=("does not", "verdict"),
    ),
    "two-sided (one-sided)": Gloss(
        "Of a share that is known from a sample: two-sided names both ends between which the true one lies, 95 of 100 "
        "times; one-sided names one bound that it passes 5 of 100 times at most, as where only too little would be a "
        "fault.",
        see=("confidence", "column 95 % sure"),
    ),
    "notice": "Something seen while reading a frame, stated without a verdict.",
    "finding": "Something that a frame, a capture or a design proves to be wrong, wasteful or risky.",
    "severity": (
        f"How much a finding matters: {', '.join(one.word for one in _WORST_FIRST)}. All but remarks have weight: the "
        "answer of `audit` is no because of them."
    ),
    **{one.word: f"{one.meaning} It is a severity of findings." for one in _WORST_FIRST},
    "certainty": f"What it takes to prove a finding: {'; '.join(one.value for one in Certainty)}.",
    "payload": (
        "What a layer carries for the one above it. Your own octets are the payload of the innermost; how many of them "
        "fit in a frame is its room."
    ),
    "overhead": (
        "All octets of a frame that are not your own: headers, codes, check sequence. `lowpanbudget budget` tells "
        "each, and what would free some of them."
    ),
    "latency": (
        "How long a message takes from its sender to the end of its way: waits for the channel, the slot or a sleeping "
        "node's poll, retries, queues. `lowpanbudget carry` reckons it, limits.latency_s says what is wanted."
    ),
    "throughput": (
        "How much arrives in a time. `lowpanbudget carry` tells whether a network carries what its flows ask for."
    ),
    "goodput": (
        "The octets of your own that arrive in a time: throughput without headers, retries and what is lost on the way."
    ),
    "jitter": (
        "How much times differ that should be alike: between messages, or on their way. `lowpanbudget measure` tells "
        "it behind ± of the interval; nodes that draw a random delay so as not to send all at once have some on "
        "purpose."
    ),
    "capture (sniffer)": (
        "What a receiver took down that listens to all on its channel and sends nothing (a sniffer): frames and their "
        "times. It hears other than the nodes do, and misses some. `lowpanbudget audit`, `survey`, `measure` and "
        "`annotate` read it."
    ),
    "knob": (
        "One thing that a designer may change: a form of address, a shared prefix, a port. What it gives is "
        "found by changing it alone and encoding the frame again."
    ),
    "saving": (
        "What turning one knob gives, in octets. A change that weakens protection is listed apart with a "
        "caution and is never advice."
    ),
    "design file": (
        "One TOML file that describes the link, shared prefixes, flows and messages; "
        "`lowpanbudget schema` says what may stand in it."
    ),
    "flow": (
        "Who sends to whom, over which headers and how often. A flow is looked at on its first hop and on "
        "later hops apart, since addresses that follow from the link on the first hop do not later on."
    ),
    "message": "What a sensor sends: fields with range, step and unit, packed into as few bits as they need.",
    "batch": (
        "How many readings of one message fit together in a single frame, and in the span that the times in them "
        "can say."
    ),
    "zigzag": (
        "Signed differences as unsigned numbers, small ones first: 0, -1, 1, -2, 2 become 0, 1, 2, 3, 4. A series with "
        "variable differences sends them so; explain series says in which groups."
    ),
    "airtime": (
        "How long something keeps the channel busy: preamble and headers of the PHY, then every octet of the frame. "
        "Who sends also waits before and after it, and listens for the answer."
    ),
    "backoff": (
        "A random wait before a node listens whether the channel is free. It counts in units, from 0 to one less than "
        "a power of two; each busy channel and each retry draws anew."
    ),
    "duty cycle": (
        "The share of a time in which a node sends. Rules that limit it differ from place to place and from band to "
        "band; state yours under [limits]."
    ),
    "battery life": Gloss(
        "How long a node works on one battery: what can be drawn from it, by the mean current of radio, sleep and the "
        "rest. `lowpanbudget carry` reckons it for each node; limits.battery_days says what is wanted.",
        see=("[battery]", "limits.battery_days", "column days", "radio", "battery life extension"),
        also=("lifetime of a node",),
    ),
    "listens in vain": Gloss(
        "What of a node's current goes into listening that brings no frame: all the time where it never sleeps, cells "
        "in which nothing comes, and what it waits behind a poll until what was held for it comes.",
        see=("sleep.listen_ms", "sleep.always_pending", "battery life", "column µA"),
    ),
    "utilisation": Gloss(
        "The share of what there is that is taken: of cells, or of the time on a channel. The nearer to 1, the longer "
        "the queues.",
        see=("column used", "column cells", "duty cycle", "queue"),
        also=("utilization", "channel utilisation"),
    ),
    "confidence": Gloss(
        "How sure a number is that comes from a sample, of runs that were played or of frames that were heard: 95 of "
        "100 such samples have the true one between the ends that are named (give or take, ±). Where a limit lies "
        "between them, it is too close to tell.",
        see=("column ±", "column 95 % sure"),
        also=("confidence interval", "give or take", "too close to tell"),
    ),
    "slotframe": (
        "So many slots, which come again and again. A slot is a short time of fixed length that holds one frame and "
        "its acknowledgement; what a node does in each of them is its schedule."
    ),
    "cell": "A slot of the slotframe and a channel offset: where one node may send to another, or several may try.",
    "guard time (guard)": (
        "How long a receiver listens before and after the time at which a frame is due. Clocks that drift further "
        "apart than that do not hear each other; every listening costs it."
    ),
    "context": "A prefix that both sides of a link know by a small number, so that it need not be sent.",
    "elide": "To leave something out of a frame because the receiver can work it out from what it has.",
    "in line": "Sent as it is, right behind the compressed header, because it cannot be worked out.",
    "stand-in": (
        "Octets of a frame made here that only show how many there are: a link address that nobody stated, an "
        "integrity code under no key. On the air others stand there. `--json` and tables call the field stand_in."
    ),
    **{
        name: Gloss(f"{text} {MODES_WRITTEN[name]}", also=(f"{name} mode",))
        for name, text in MODES.items()
    },
}
