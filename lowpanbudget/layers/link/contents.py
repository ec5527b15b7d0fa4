"""What beacons and commands carry behind their MAC header (IEEE 802.15.4-2015 clauses 7.3 and 7.5, from memory).

    beacon, versions 0 and 1:  superframe specification 2 | GTS fields 1.. | pending addresses 1.. | beacon payload
    beacon, version 2:         beacon payload (what the others were moved to information elements)
    command:                   command identifier 1 | content

Acknowledgements and multipurpose frames carry octets of their own. Octets beyond a command's known fields are kept as
``more``: later editions append to old commands.
"""

from collections.abc import Mapping
from typing import Any

from lowpanbudget.bits import Nature, Reader, Writer
from lowpanbudget.cites import ieee
from lowpanbudget.errors import RequestError, WireError
from lowpanbudget.fields import Bits, Contents, Header, Layout, LayoutPart, Unsigned, stated_by
from lowpanbudget.layers.link.beacon import Beacon
from lowpanbudget.layers.link.beacon import decode as decode_beacon
from lowpanbudget.layers.link.content import content, vendor_content
from lowpanbudget.layers.link.mac import FrameType, Mac
from lowpanbudget.values import FrozenDict, dataclass, field, frozen

COMMANDS_CITE = ieee(2015, "table 7-49")
ASSOCIATION_RESPONSE, COORDINATOR_REALIGNMENT = 0x02, 0x08  # commands that tell short addresses

_CAPABILITY = Header(
    "capability information",
    ieee(2015, "7.5.2.2"),
    (
        Bits("alternate PAN coordinator", 1, {0: "cannot coordinate", 1: "can coordinate"}),
        Bits("full-function device", 1, {0: "reduced-function device", 1: "full-function device"}),
        Bits("mains powered", 1, {0: "not mains powered", 1: "mains powered"}),
        Bits("receiver on when idle", 1, {0: "receiver sleeps", 1: "receiver listens when idle"}),
        Bits("fast association", 1, {0: "ordinary association", 1: "fast association"}),
        Bits("reserved", 1, unused=True),
        Bits("security capable", 1, {0: "sends unsecured", 1: "can send secured"}),
        Bits("allocate address", 1, {0: "keeps its extended address", 1: "wants a short address"}),
    ),
    "little",
)
ASSOCIATION_STATUS = {
    0x00: "association successful",
    0x01: "PAN at capacity",
    0x02: "PAN access denied",
    0x03: "hopping sequence offset duplication",
    0x80: "fast association successful",
}
ASSOCIATED = frozenset({0x00, 0x80})  # statuses of a device that may come in
_REASON = {1: "the coordinator wishes the device to leave", 2: "the device wishes to leave"}
_GTS = Header(
    "GTS characteristics",
    ieee(2015, "7.5.10"),
    (
        Bits("gts length", 4, "superframe slots"),
        Bits("gts direction", 1, {0: "transmit, from the device", 1: "receive, by the device"}),
        Bits("characteristics type", 1, {0: "deallocation", 1: "allocation"}),
        Bits("reserved", 2, unused=True),
    ),
    "little",
)
_REALIGNMENT: tuple[LayoutPart, ...] = (
    Unsigned("pan_id", 2),
    Unsigned("coordinator_short_address", 2, "0xfffe: it uses its extended address"),
    Unsigned("channel_number", 1),
    Unsigned("short_address", 2, "of the orphaned device, 0xffff in a broadcast"),
)


COMMANDS = Contents(
    "MAC commands.",
    "command",
    COMMANDS_CITE,
    {
        0x01: content("association request", ieee(2015, "7.5.2"), (_CAPABILITY,)),
        ASSOCIATION_RESPONSE: content(
            "association response",
            ieee(2015, "7.5.3"),
            (Unsigned("short_address", 2), Unsigned("association_status", 1, ASSOCIATION_STATUS)),
        ),
        0x03: content(
            "disassociation notification",
            ieee(2015, "7.5.4"),
            (Unsigned("disassociation_reason", 1, _REASON),),
        ),
        0x04: content("data request", ieee(2015, "7.5.5")),
        0x05: content("PAN ID conflict notification", ieee(2015, "7.5.6")),
        0x06: content("orphan notification", ieee(2015, "7.5.7")),
        0x07: content("beacon request", ieee(2015, "7.5.8")),
        COORDINATOR_REALIGNMENT: content(
            "coordinator realignment",
            ieee(2015, "7.5.9"),
            _REALIGNMENT,
            (*_REALIGNMENT, Unsigned("channel_page", 1)),
        ),
        0x09: content("GTS request", ieee(2015, "7.5.10"), (_GTS,)),
        0x24: vendor_content("vendor-specific command", ieee(2015, "7.5.23")),
        # of later editions; their contents stay octets
        0x0A: "TRLE management request",
        0x0B: "TRLE management response",
        0x13: "DSME association request",
        0x14: "DSME association response",
        0x15: "DSME GTS request",
        0x16: "DSME GTS response",
        0x17: "DSME GTS notify",
        0x18: "DSME information request",
        0x19: "DSME information response",
        0x1A: "DSME beacon allocation notification",
        0x1B: "DSME beacon collision notification",
        0x1C: "DSME link report",
        0x20: "RIT data request",
        0x21: "DBS request",
        0x22: "DBS response",
        0x23: "RIT data response",
    },
)
_HEAD: Layout[dict[str, int]] = Layout(
    "command",
    COMMANDS_CITE,
    Unsigned(
        "command_identifier", 1, lambda number: COMMANDS.name_of(number) or "reserved command"
    ),
    order="little",
)


@stated_by(_HEAD)
@dataclass(frozen=True, slots=True)
class Command:
    """A MAC command: its identifier ``id``, named ``fields``, and ``more`` octets behind them."""

    id: int
    fields: Mapping[str, Any] = field(default_factory=FrozenDict)
    more: bytes = b""

    @property
    def name(self) -> str:
        """Return the name of the command."""
        return COMMANDS.name_of(self.id) or "reserved command"


def decode_command(reader: Reader) -> Command:
    """Return the command that takes all octets left; raises ``Truncated`` and ``Malformed``."""
    number = _HEAD.read(reader)["command_identifier"]
    known = COMMANDS.content_of(number)
    fields = {} if known is None else known.read_longest(reader, "command")
    more = reader.rest("more content", "" if known is None else "octets beyond the known fields")
    return Command(number, frozen(fields), more)


def encode_command(writer: Writer, command: Command) -> None:
    """Append a command; raises ``RequestError`` for fields that its content has not, or that they cannot hold."""
    _HEAD.write(writer, {"command_identifier": command.id})
    known = COMMANDS.content_of(command.id)
    if known is not None:
        writer.data += known.write(command.fields)
    elif command.fields:
        raise RequestError(
            f"the content of the {command.name} has no layout here",
            cite=COMMANDS_CITE,
            hint="Give its octets as Command(id, more=octets)",
        )
    writer.octets(command.more, "more content")


def decode(reader: Reader, mac: Mac) -> Beacon | Command | None:
    """Return the content of a frame that carries no 6LoWPAN payload, None where it has no structure of its own.

    Takes all octets left. Raises ``Truncated`` and ``Malformed``.
    """
    name = FrameType(mac.frame_type).name.lower()
    reader.layer = name
    if mac.frame_type == FrameType.COMMAND:
        return decode_command(reader)
    if mac.frame_type == FrameType.BEACON and not mac.later:
        return decode_beacon(reader)
    if mac.frame_type == FrameType.BEACON:
        return Beacon(
            payload=reader.rest("beacon payload", "what a higher layer adds", nature=Nature.PAYLOAD)
        )
    reader.rest("payload", f"what the {name} frame carries", nature=Nature.PAYLOAD)
    return None


def explained(mac: Mac, octets: bytes) -> Writer:
    """Return ``octets`` of such a frame in a writer, with the spans that reading them leaves."""
    writer = Writer("payload")
    reader = Reader(octets)
    try:
        decode(reader, mac)
    except WireError:
        return unexplained(octets)
    writer.data += octets
    writer.spans += reader.spans
    return writer


def unexplained(octets: bytes) -> Writer:
    """Return ``octets`` in a writer, unexplained."""
    writer = Writer("payload")
    writer.octets(octets, "payload", "what the frame carries", nature=Nature.PAYLOAD)
    return writer
