"""A design to begin with, as the text of a design file: every key that it states says what it means.

What a key means is taken from the table that judges it, so the comments of a skeleton and ``explain`` agree.
"""

from collections.abc import Iterator, Mapping
from typing import Literal

from lowpanbudget.design.access import Method
from lowpanbudget.design.answer_shape import AnswerShape
from lowpanbudget.design.application import ADDED_DTLS, LASTING_SEQUENCE
from lowpanbudget.design.application_shape import CoapShape, DtlsShape, OscoreShape
from lowpanbudget.design.link import AddressForm
from lowpanbudget.design.messages import MessageShape
from lowpanbudget.design.network_tables import NODES, TableSketch, network_tables
from lowpanbudget.design.routing import MODES
from lowpanbudget.design.routing_shape import RoutingShape
from lowpanbudget.design.shape import (
    ContextShape,
    DesignShape,
    FlowShape,
    LinkShape,
    NetworkShape,
    SecurityShape,
    StationShape,
)
from lowpanbudget.values import dataclass, field

RoutingMode = Literal["none", "storing", "non-storing", "mesh-under"]
Transport = Literal["udp", "coap", "oscore", "dtls"]

_BELOW = "A mesh below IPv6: frames are forwarded, and packets have no router on their way."
_COLUMN = 34  # where comments begin
_WIDEST = 120  # of a line with its comment
_UP = "readings"
_PREFIX = '"2001:db8:1::/64"'
# ports of CoAP and of CoAP over DTLS (RFC 7252 sections 12.6 and 12.7); of 0xf0b0 to 0xf0bf half an octet is sent
_SERVER_PORT = {"udp": "0xf0b2", "coap": "5683", "oscore": "5683", "dtls": "5684"}
# kind, name, and what else a field of a message states
_VERSION = ("version", "version", "value = 1")
_READING = (
    _VERSION,
    ("sequence", "sequence", "bits = 8"),
    ("number", "temperature", 'min = -40, max = 85, step = 0.1, unit = "Cel"'),
    ("number", "humidity", 'min = 0, max = 100, step = 0.5, unit = "%RH"'),
)
_SETTING = (
    _VERSION,
    ("enumeration", "mode", 'names = ["normal", "fast", "off"]'),
    ("number", "every", 'min = 10, max = 3600, step = 10, unit = "s"'),
)


@dataclass(frozen=True, slots=True)
class Skeleton:
    """What a design to begin with is about; ``most_frames`` by flow, where one frame is not enough.

    ``network`` is how its nodes get onto the air where it says how its network carries the messages, else None.
    """

    addresses: AddressForm = "short"
    level: int = 5
    routing: RoutingMode = "storing"
    hops: int = 3
    transport: Transport = "coap"
    network: Method | None = None
    most_frames: Mapping[str, int] = field(default_factory=dict)


def text_of(skeleton: Skeleton) -> str:
    """Return the text of the design file; what a key means stands beside its first use."""
    lines, told = [*_preface(skeleton)], set[tuple[str, str]]()
    messages = (_message("reading", _READING), _message("setting", _SETTING))
    for table in (*_tables(skeleton), *messages):
        lines += ["", *_written(table, told)]
    return "\n".join(lines) + "\n"


def _preface(skeleton: Skeleton) -> Iterator[str]:
    yield "# A design to begin with: it works as it stands, and its addresses, flows and messages stand for yours."
    yield "#   lowpanbudget fit FILE            whether each message fits"
    yield "#   lowpanbudget budget FILE         where the octets of a frame go, and what would give more room"
    if skeleton.network is not None:
        yield "#   lowpanbudget carry FILE          whether the network carries them, and what decides"
        yield "#   lowpanbudget explain radio       what [radio] and [battery] take, for how long batteries last"
    yield "#   lowpanbudget explain flow.hops   what a key means; of a kind of field: explain number"
    yield ""
    yield _commented('title = "A network of sensors"', DesignShape.keys["title"].says)


def _tables(skeleton: Skeleton) -> Iterator[TableSketch]:
    nodes = NODES if skeleton.network is None else max(NODES, skeleton.hops)
    link = {"phy": '"o-qpsk-2450"', "addresses": f'"{skeleton.addresses}"', "pan_id": "0x1a2b"}
    if skeleton.network == "slots":
        link |= {"frame_version": "2", "slotted": "true"}
    yield TableSketch("[link]", LinkShape, link)
    if skeleton.level:
        security = {"level": str(skeleton.level), "key_id_mode": "1"}
        yield TableSketch("[link.security]", SecurityShape, security)
    yield TableSketch("[network]", NetworkShape, {"nodes": str(nodes)})
    if skeleton.network is not None:
        yield from network_tables(skeleton.network, nodes, skeleton.hops, _UP)
    yield TableSketch("[[context]]", ContextShape, {"id": "0", "prefix": _PREFIX})
    for name, role, number in (("node", "node", 0x17), ("root", "border", 1)):
        address = f'"02:00:00:00:00:00:00:{number:02x}"'
        if skeleton.addresses == "short":
            address = f"0x{number:04x}"
        station = {"name": f'"{name}"', "role": f'"{role}"', skeleton.addresses: address}
        yield TableSketch("[[station]]", StationShape, station | {"prefix": _PREFIX})
    yield from _flow(skeleton, _UP, up=True)
    yield from _flow(skeleton, "settings", up=False)


def _flow(skeleton: Skeleton, name: str, *, up: bool) -> Iterator[TableSketch]:
    """Yield a flow of node and root and what stands around its messages; its message has the name in the singular."""
    source, destination = ("node", "root") if up else ("root", "node")
    values = {
        "name": f'"{name}"',
        "source": f'"{source}"',
        "destination": f'"{destination}"',
        "hops": str(skeleton.hops),
        "source_port": "0xf0b1",
        "destination_port": _SERVER_PORT[skeleton.transport],
        "messages": f'["{name.removesuffix("s")}"]',
    }
    if up or skeleton.network is not None:  # carry counts what comes each so many seconds
        values["every_s"] = "600"
    if name in skeleton.most_frames:
        values["most_frames"] = str(skeleton.most_frames[name])
    yield TableSketch("[[flow]]", FlowShape, values)
    if skeleton.routing != "none":
        routing = {"rpi": "true"}
        if skeleton.routing == "non-storing" and not up and skeleton.hops > 1:
            routing["route"] = str(skeleton.hops - 1)
        if skeleton.routing == "mesh-under":
            routing = {"mesh_under": "true"}
        about = MODES.get(skeleton.routing, _BELOW)
        yield TableSketch("[flow.routing]", RoutingShape, routing, about)
    if skeleton.transport == "udp":
        return
    code, path = ("POST", "r") if up else ("PUT", "s")
    yield TableSketch("[flow.coap]", CoapShape, {"code": f'"{code}"', "path": f'"{path}"'})
    if not up:
        yield TableSketch("[flow.answer]", AnswerShape, {"code": '"2.04"'})
    if skeleton.transport == "oscore":
        sender, recipient = ("01", "02") if up else ("02", "01")
        ids = {"sender_id": f'"{sender}"', "recipient_id": f'"{recipient}"'}
        ids["sequence"] = str(LASTING_SEQUENCE)
        yield TableSketch("[flow.oscore]", OscoreShape, ids)
    if skeleton.transport == "dtls":
        yield TableSketch("[flow.dtls]", DtlsShape, {"suite": f'"{ADDED_DTLS.suite.name}"'})


def _message(name: str, fields: tuple[tuple[str, str, str], ...]) -> TableSketch:
    """Return a message format, its fields one a line."""
    lines = [f'  {{ kind = "{kind}", name = "{own}", {more} }},' for kind, own, more in fields]
    values = {
        "name": f'"{name}"',
        "byte_order": '"big"',
        "bit_order": '"msb-first"',
        "layout": '"bit-packed"',
        "field": "\n".join(["[", *lines, "]"]),
    }
    return TableSketch("[[message]]", MessageShape, values)


def _written(table: TableSketch, told: set[tuple[str, str]]) -> Iterator[str]:
    """Yield the lines of a table; what is ``told`` already is not said again."""
    said = {"": table.says}
    said |= {key: table.shape.keys[key].says for key in table.values}
    lines = {"": table.head} | {key: f"{key} = {value}" for key, value in table.values.items()}
    for key, line in lines.items():
        where = (table.head, key)
        yield line if where in told else _commented(line, said[key])
        told.add(where)


def _commented(line: str, text: str) -> str:
    """Return a line with its comment, behind it where there is space, else before it; a value may go on below."""
    first, end, rest = line.partition("\n")
    beside = f"{first:<{_COLUMN}}# {text}"
    if len(first) < _COLUMN and len(beside) <= _WIDEST:
        return beside + end + rest
    return f"# {text}\n{line}"
