"""How the protocols of a flow are written: ``[flow.coap]``, ``[flow.oscore]``, ``[flow.dtls]``."""

from collections.abc import Iterator
from string import hexdigits
from typing import Any

from lowpanbudget.design.application import Application, Coap, Dtls, Oscore
from lowpanbudget.design.table import ShapeTable, Subtable, key
from lowpanbudget.design.takes import AnyOf, Flag, FreeText, Listed, Parsed, Whole, Words
from lowpanbudget.errors import RequestError, plural
from lowpanbudget.layers.internet.coap import message as coap
from lowpanbudget.layers.internet.coap.block import Block
from lowpanbudget.layers.internet.coap.codes import CoapType, coap_code
from lowpanbudget.layers.internet.coap.options import CoapOption
from lowpanbudget.layers.internet.dtls.suites import SUITES
from lowpanbudget.payload.flaws import Flaw


def _octets(value: Any) -> Any:
    """Return the octets that hex text stands for; octets as they are."""
    if isinstance(value, bytes):
        return value
    if not isinstance(value, str):
        raise ValueError("hex text is wanted")  # noqa: TRY004  # as all that is wrong with it
    digits = value.removeprefix("0x")
    try:
        return bytes.fromhex(digits)
    except ValueError:
        if len(digits) % 2 and set(digits) <= set(hexdigits):
            said = f"{value!r} has {plural(len(digits), 'hex digit')}, and each octet takes two"
            raise ValueError(said) from None
        raise ValueError(f"{value!r} is no hex text") from None


HEX = Parsed(_octets, '"0a1b"')


class BlockShape(ShapeTable):
    """A block of a larger body (RFC 7959)."""

    number: int = key(Whole(0, below=1 << 20), "The block's number.")
    more: bool = key(Flag(), "Whether more blocks follow.", default=True)
    size: int = key(Words(16, 32, 64, 128, 256, 512, 1024), "Octets in a block.")

    def block(self) -> Block:
        """Return the value of a Block1 or Block2 option."""
        return Block(self.number, self.more, self.size.bit_length() - 5)


class OptionShape(ShapeTable):
    """Another option of the message."""

    name: str | int = key(AnyOf(FreeText(), Whole()), "The option's name or number.")
    text: str | None = key(FreeText(), "Its value as text.", default=None)
    number: int | None = key(Whole(0), "Its value as a number.", default=None)
    octets: bytes | None = key(HEX, "Its value as octets in hex.", default=None)


class CoapShape(ShapeTable):
    """The CoAP message around the flow's messages (RFC 7252)."""

    code: str = key(FreeText(), "A method or response: GET, POST, 2.05, Content ...")
    confirmable: bool = key(Flag(), "Whether the message is acknowledged.", default=False)
    path: str = key(FreeText(), "Uri-Path, segments divided by slashes.", default="")
    token_octets: int = key(Whole(0, 8), "Length of the token.", default=1)
    content_format: int | None = key(Whole(0, 0xFFFF), "Content-Format.", default=None)
    observe: int | None = key(
        Whole(0, below=1 << 24),
        "Value of Observe that is reached; it grows to 3 octets.",
        default=None,
    )
    block1: BlockShape | None = key(
        Subtable(BlockShape), "Block1: the body of a request.", default=None
    )
    block2: BlockShape | None = key(
        Subtable(BlockShape), "Block2: the body of a response.", default=None
    )
    option: list[OptionShape] = key(Listed(Subtable(OptionShape)), "Further options.", default=())


class OscoreShape(ShapeTable):
    """OSCORE around the CoAP message (RFC 8613), with AES-CCM-16-64-128."""

    sender_id: bytes = key(HEX, "The sender's identifier in hex, 0 to 7 octets.")
    recipient_id: bytes = key(HEX, "The recipient's identifier in hex, 0 to 7 octets.")
    id_context: bytes | None = key(HEX, "ID context in hex, sent in requests.", default=None)
    sequence: int = key(
        Whole(0, below=1 << 40),
        "Sender sequence number reached; it grows: 1 octet to 255, 2 to 65535, 3 to 16777215 (RFC 8613 section 6.1).",
        default=0,
    )
    response_sequence: bool | None = key(
        Flag(),
        "Whether a response carries a sequence number: unless stated notifications do, which have observe, as all but "
        "the first must (RFC 8613 section 4.1.3.5.2), and others do not.",
        default=None,
    )


class DtlsShape(ShapeTable):
    """A DTLS record around the UDP payload (RFC 6347, RFC 9146, RFC 9147)."""

    suite: str = key(
        Words(*SUITES),
        "The cipher suite; it decides the version, 1.2 or 1.3. Of that of CCM_8 in 1.3 RFC 9147 section 4.5.3 warns.",
    )
    cid: bytes = key(HEX, "The receiver's connection ID in hex; empty: none.", default=b"")
    epoch: int | None = key(
        Whole(0, below=1 << 16),
        "The epoch that is reached; unless stated the first of application data, 3 in DTLS 1.3 (RFC 9147 section 6.1) "
        "and 1 in DTLS 1.2.",
        default=None,
    )
    sequence: int = key(Whole(0, below=1 << 48), "The sequence number reached.", default=0)
    number_octets: int = key(
        Whole(1, 2),
        "How many octets of the sequence number a record of DTLS 1.3 carries: with 1 the receiver loses its place once "
        "more than 127 records in a row are lost (RFC 9147 section 4.2.2); those of DTLS 1.2 carry 6 in any case.",
        default=1,
    )
    length_present: bool = key(
        Flag(),
        "Whether a record of DTLS 1.3 carries its length, in 2 octets (L, RFC 9147 section 4): the last of a datagram "
        "may leave it out; those of DTLS 1.2 carry it in any case.",
        default=False,
    )


def application(
    coap_shape: CoapShape | None,
    oscore_shape: OscoreShape | None,
    dtls_shape: DtlsShape | None = None,
) -> tuple[Application, list[Flaw]]:
    """Return the application of these tables, and the faults of meaning with their paths in the flow."""
    flaws: list[Flaw] = []
    message: Coap | None = None
    if coap_shape is not None:
        try:
            code = coap_code(coap_shape.code)
        except RequestError as error:
            return Application(), [_flaw(error, "coap", "code")]
        options = []
        for path, build in _options(coap_shape):
            try:
                options += build()
            except RequestError as error:
                flaws.append(_flaw(error, "coap", *path))
        kind = CoapType.CON if coap_shape.confirmable else CoapType.NON
        token = bytes(range(1, coap_shape.token_octets + 1))
        message = Coap(code, kind, token, tuple(options))
    protection = None
    if oscore_shape is not None:
        numbered = oscore_shape.response_sequence
        protection = Oscore(
            oscore_shape.sender_id,
            oscore_shape.recipient_id,
            oscore_shape.id_context,
            oscore_shape.id_context is not None,
            oscore_shape.sequence,
            message is not None and message.notifies if numbered is None else numbered,
        )
        if message is None:
            flaws.append(
                Flaw(
                    ("oscore",),
                    "OSCORE protects a CoAP message, and none is there",
                    "Add [flow.coap]",
                )
            )
    record = None
    if dtls_shape is not None:
        record = Dtls(
            SUITES[dtls_shape.suite], dtls_shape.cid, dtls_shape.epoch, dtls_shape.sequence,
            dtls_shape.number_octets, dtls_shape.length_present,
        )  # fmt: skip
    protocols = Application(message, protection, record)
    if not flaws:
        try:
            protocols.write(b"")
        except RequestError as error:
            key = "dtls" if record is not None else "oscore" if protection is not None else "coap"
            flaws.append(_flaw(error, key))
    return protocols, flaws


def _flaw(error: RequestError, *path: str | int) -> Flaw:
    """Return an error of a layer as a fault of the design, with its clause."""
    return Flaw(
        path,
        error.message,
        f"{error.hint or 'See its clause'} ({error.cite})" if error.cite else error.hint,
    )


def _options(shape: CoapShape) -> Iterator[tuple[tuple[str | int, ...], Any]]:
    """Yield for each key that makes options its path and a function that makes them."""
    yield ("path",), lambda: coap.coap_path(shape.path) if shape.path else ()
    values: tuple[tuple[str, str, int | Block | None], ...] = (
        ("content_format", "Content-Format", shape.content_format),
        ("observe", "Observe", shape.observe),
        ("block1", "Block1", shape.block1.block() if shape.block1 else None),
        ("block2", "Block2", shape.block2.block() if shape.block2 else None),
    )
    for word, name, value in values:
        if value is not None:
            yield (word,), lambda name=name, value=value: (CoapOption.of(name, value),)
    for index, option in enumerate(shape.option):
        stated = [v for v in (option.text, option.number, option.octets) if v is not None]
        other = stated[0] if stated else None
        yield (
            ("option", index),
            lambda name=option.name, value=other: (CoapOption.of(name, value),),
        )
