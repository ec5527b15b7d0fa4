"""A design to begin with, as the text of a design file: every key that it states says what it means.

What a key means is taken from the table that judges it, so the comments of a skeleton and ``explain`` agree.
"""

from collections.abc import Iterator, Mapping
from typing import Literal, NamedTuple

from lowpanbudget.design.application_shape import CoapShape, DtlsShape, OscoreShape
from lowpanbudget.design.link import AddressForm
from lowpanbudget.design.messages import MessageShape
from lowpanbudget.design.routing import MODES
from lowpanbudget.design.shape import (
    AnswerShape,
    ContextShape,
    DesignShape,
    FlowShape,
    LinkShape,
    NetworkShape,
    RoutingShape,
    SecurityShape,
    StationShape,
)
from lowpanbudget.design.table import ShapeTable
from lowpanbudget.values import dataclass, field

RoutingMode = Literal["none", "storing", "non-storing"]
Transport = Literal["udp", "coap", "oscore", "dtls"]

_COLUMN = 34  # where comments begin
_WIDEST = 120  # of a line with its comment
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
    """What a design to begin with is about; ``most_frames`` by flow, where one frame is not enough."""

    addresses: AddressForm = "short"
    level: int = 5
    routing: RoutingMode = "storing"
    hops: int = 3
    transport: Transport = "coap"
    most_frames: Mapping[str, int] = field(default_factory=dict)


class _Table(NamedTuple):
    """A table of the file: its head, its keys with their values as written, and what it is about."""

    head: str
    shape: type[ShapeTable]
    values: dict[str, str]
    about: str = ""  # else what the shape says


def text_of(skeleton: Skeleton) -> str:
    """Return the text of the design file; what a key means stands beside its first use."""
    lines, told = [*_preface()], set[tuple[str, str]]()
    messages = (_message("reading", _READING), _message("setting", _SETTING))
    for table in (*_tables(skeleton), *messages):
        lines += ["", *_written(table, told)]
    return "\n".join(lines) + "\n"


def _preface() -> Iterator[str]:
    yield "# A design to begin with: it works as it stands, and its addresses, flows and messages stand for yours."
    yield "#   lowpanbudget fit FILE            whether each message fits"
    yield "#   lowpanbudget budget FILE         where the octets of a frame go, and what would give more room"
    yield "#   lowpanbudget explain flow.hops   what a key means; of a kind of field: explain number"
    yield ""
    yield _commented('title = "A network of sensors"', DesignShape.keys["title"].says)


def _tables(skeleton: Skeleton) -> Iterator[_Table]:
    link = {"phy": '"o-qpsk-2450"', "addresses": f'"{skeleton.addresses}"', "pan_id": "0x1a2b"}
    yield _Table("[link]", LinkShape, link)
    if skeleton.level:
        security = {"level": str(skeleton.level), "key_id_mode": "1"}
        yield _Table("[link.security]", SecurityShape, security)
    yield _Table("[network]", NetworkShape, {"nodes": "50"})
    yield _Table("[[context]]", ContextShape, {"id": "0", "prefix": _PREFIX})
    for name, role, number in (("node", "node", 0x17), ("root", "border", 1)):
        address = f'"02:00:00:00:00:00:00:{number:02x}"'
        if skeleton.addresses == "short":
            address = f"0x{number:04x}"
        station = {"name": f'"{name}"', "role": f'"{role}"', skeleton.addresses: address}
        yield _Table("[[station]]", StationShape, station | {"prefix": _PREFIX})
    yield from _flow(skeleton, "readings", up=True)
    yield from _flow(skeleton, "settings", up=False)


def _flow(skeleton: Skeleton, name: str, *, up: bool) -> Iterator[_Table]:
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
    if up:
        values["every_s"] = "600"
    if name in skeleton.most_frames:
        values["most_frames"] = str(skeleton.most_frames[name])
    yield _Table("[[flow]]", FlowShape, values)
    if skeleton.routing != "none":
        routing = {"rpi": "true"}
        if skeleton.routing == "non-storing" and not up and skeleton.hops > 1:
            routing["route"] = str(skeleton.hops - 1)
        about = MODES[skeleton.routing]
        yield _Table("[flow.routing]", RoutingShape, routing, about)
    if skeleton.transport == "udp":
        return
    code, path = ("POST", "r") if up else ("PUT", "s")
    yield _Table("[flow.coap]", CoapShape, {"code": f'"{code}"', "path": f'"{path}"'})
    if not up:
        yield _Table("[flow.answer]", AnswerShape, {"code": '"2.04"'})
    if skeleton.transport == "oscore":
        sender, recipient = ("01", "02") if up else ("02", "01")
        ids = {"sender_id": f'"{sender}"', "recipient_id": f'"{recipient}"'}
        yield _Table("[flow.oscore]", OscoreShape, ids)
    if skeleton.transport == "dtls":
        yield _Table("[flow.dtls]", DtlsShape, {"suite": '"TLS_AES_128_CCM_8_SHA256"'})


def _message(name: str, fields: tuple[tuple[str, str, str], ...]) -> _Table:
    """Return a message format, its fields one a line."""
    lines = [f'  {{ kind = "{kind}", name = "{own}", {more} }},' for kind, own, more in fields]
    values = {
        "name": f'"{name}"',
        "byte_order": '"big"',
        "bit_order": '"msb-first"',
        "layout": '"bit-packed"',
        "field": "\n".join(["[", *lines, "]"]),
    }
    return _Table("[[message]]", MessageShape, values)


def _written(table: _Table, told: set[tuple[str, str]]) -> Iterator[str]:
    """Yield the lines of a table; what is ``told`` already is not said again."""
    said = {"": table.about or (table.shape.__doc__ or "")}
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
