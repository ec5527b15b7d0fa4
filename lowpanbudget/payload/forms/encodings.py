"""The same values in other encodings: real octets by libraries, each read back and compared.

An encoding that cannot say some values, or reads something else back, has no octets for them and says
why; one whose library is not installed names what to install. Nothing is estimated: the largest
size of any values is that of a message made for it, or a limit that is proved and said to be one.
"""

from collections.abc import Callable, Mapping
from decimal import Decimal
from functools import lru_cache, partial
from importlib.util import find_spec
from math import isfinite
from typing import Any, NamedTuple

from lowpanbudget.payload.forms.asn1 import Uper
from lowpanbudget.payload.forms.c_struct import CLayout
from lowpanbudget.payload.forms.conversion import CBOR_ARRAY, CBOR_MAP, NAMED, SHAPED, Form
from lowpanbudget.payload.forms.doubles import cbor_of, read_cbor, read_text, real_of, text_of
from lowpanbudget.payload.forms.largest import Largest, search
from lowpanbudget.payload.forms.largest_values import Leaves, Writing
from lowpanbudget.payload.forms.protobuf import Protobuf
from lowpanbudget.payload.forms.senml import (
    pack_from_cbor,
    pack_from_json,
    pack_to_cbor,
    pack_to_json,
)
from lowpanbudget.payload.forms.senml_pack import BASE_NAME, Pack
from lowpanbudget.payload.forms.senml_units import Units
from lowpanbudget.payload.forms.shapes import RecordShape, Unsayable, Values
from lowpanbudget.payload.kinds.binary_float import Float
from lowpanbudget.payload.kinds.group import record_shape
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.rounding import roundings
from lowpanbudget.payload.search.tree import replaced, walk
from lowpanbudget.values import dataclass, found_once, replace

EXTRA = "compare"


_FIXED = Writing()


class Coder(NamedTuple):
    """One message in one encoding, both ways.

    ``encode_read`` is ``encode`` for values that were packed and read, and so are rounded as the message rounds them.
    """

    encode: Callable[[Mapping[str, Any]], bytes]
    decode: Callable[[bytes], Values]
    encode_read: Callable[[Values], bytes]


@dataclass(frozen=True, slots=True)
class Encoding:
    """An encoding: ``note`` says what is assumed; ``needs`` is the module of its library, empty for our own.

    ``coder`` prepares one message, which may take long. ``rigid``: what repeats takes the place of its
    greatest number, however many there are. ``writing``: how it writes values, None for the message's own packing.
    """

    name: str
    note: str
    coder: Callable[[Message], Coder]
    needs: str = ""
    writing: Writing | None = _FIXED
    rigid: bool = False

    @property
    def missing(self) -> str:
        """Return what to install before this can be used, or nothing."""
        if not self.needs or _is_there(self.needs):
            return ""
        return f"{_PACKAGES[self.needs]} is not installed: pip install 'lowpanbudget[{EXTRA}]'"


class Inexact(NamedTuple):
    """A numeric field that does not come back exactly: its name, the greatest difference, the unit."""

    field: str
    error: Decimal
    unit: str


class EncodedValues(NamedTuple):
    """Some values in one encoding.

    ``octets`` is None where it cannot say them; ``cannot`` says why. ``errors``: what a receiver reads
    that is not what was given; empty where every value comes back exactly.
    """

    octets: bytes | None
    errors: tuple[Inexact, ...] = ()
    cannot: str = ""


def made_for(message: Message, encoding: Encoding, count: int) -> Message:
    """Return the message to encode ``count`` readings with: for a rigid encoding one that has room for no more."""
    field = message.batch_field
    if not encoding.rigid or field is None or not count:
        return message
    least = min(field.least, count - 1)  # below the greatest number, so that a count is still sent
    smaller = replace(
        field, min_length=least, max_length=count, length=None, count_bits=None, typical_length=None
    )
    return replaced(message, {(field.name,): smaller})


class PackedValues:
    """Values of a message as a receiver reads them that gets them packed: worked out once for all other encodings.

    Raises ``RequestError`` for values that the message does not take.
    """

    def __init__(self, message: Message, given: Mapping[str, Any]) -> None:
        self._message, self._given = message, given
        self._sent = message.unpack(message.pack(given))
        self._shown = repr(self._sent)

    def encoded(self, coder: Coder) -> EncodedValues:
        """Return the octets of the values, proved by reading them back."""
        try:
            octets, read = self._proved(coder)
        except Unsayable as fault:
            return EncodedValues(None, (), fault.message)
        return EncodedValues(octets, self._exact if read == self._sent else self._errors(read))

    def octets(self, coder: Coder) -> bytes:
        """Return the octets of the values as ``encoded`` does; raises ``Unsayable`` where there are none."""
        return self._proved(coder)[0]

    def _proved(self, coder: Coder) -> tuple[bytes, Values]:
        """Return the octets of the values, and what a receiver reads in them."""
        octets = coder.encode_read(self._sent)
        read = coder.decode(octets)
        # numbers may look different: 12.0 of JSON is 12
        odd = "" if repr(read) == self._shown else _difference(self._sent, read, "")
        if odd:
            raise Unsayable(f"{odd} does not come back as it was given")
        return octets, read

    @found_once
    def _exact(self) -> tuple[Inexact, ...]:
        """Return what packing alone has rounded."""
        return self._errors(self._sent)

    def _errors(self, read: Values) -> tuple[Inexact, ...]:
        greatest: dict[str, Decimal] = {}
        for path, _, _, error in roundings(self._message.fields, self._given, read):
            if error:
                name = ".".join(part for part in path if isinstance(part, str))
                greatest[name] = max(greatest.get(name, Decimal(0)), abs(error))
        units = {
            _plain_name(place): field.summary().unit
            for place, field in (walk(self._message.fields) if greatest else ())
        }
        return tuple(Inexact(name, error, units.get(name, "")) for name, error in greatest.items())


def encoded(message: Message, coder: Coder, values: Mapping[str, Any]) -> EncodedValues:
    """Return the octets of the values in one encoding; ``PackedValues`` says what is raised."""
    return PackedValues(message, values).encoded(coder)


def largest(
    message: Message, encoding: Encoding, coder: Coder, count: int | None = None
) -> Largest:
    """Return the largest size of a message in an encoding, whatever its values.

    ``count``: of messages with so many readings only. ``coder`` is that of the message (``made_for`` the count).
    """
    if encoding.writing is None:
        if count is not None:
            octets = message.pack(message.batch_example(count))
            return Largest(len(octets), octets)
        return Largest(-(-message.widest_bits // 8), message.pack(message.example("greatest")))
    leaves = _leaves(message, encoding, encoding.writing)
    return search(leaves, lambda values: PackedValues(message, values).octets(coder), count)


@lru_cache(64)  # a message has the same longest values with any number of readings
def _leaves(message: Message, encoding: Encoding, writing: Writing) -> Leaves:
    return Leaves(message, writing, lambda small: encoding.coder(small).encode)


def _plain_name(place: tuple[str, ...]) -> str:
    return ".".join(part for part in place if not part.startswith(("[", "(")))


def _difference(sent: Any, read: Any, name: str) -> str:
    """Return the name of a field that comes back as something else, numbers not judged; else nothing."""
    if isinstance(sent, dict) and isinstance(read, dict):
        if sent.keys() != read.keys():
            lost = min(sent.keys() ^ read.keys())
            return f"{name}.{lost}".lstrip(".")
        parts = [(f"{name}.{key}".lstrip("."), sent[key], read[key]) for key in sent]
    elif isinstance(sent, list) and isinstance(read, list):
        if len(sent) != len(read):
            return name
        parts = [(name, *pair) for pair in zip(sent, read, strict=True)]
    elif _is_number(sent) and _is_number(read):
        return "" if (isfinite(sent) and isfinite(read)) or repr(sent) == repr(read) else name
    else:
        return "" if type(sent) is type(read) and sent == read else name
    return next((odd for key, one, other in parts if (odd := _difference(one, other, key))), "")


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float | Decimal) and not isinstance(value, bool)


def _as_designed(message: Message) -> Coder:
    return Coder(message.pack, message.unpack, message.pack)


def _shaped(message: Message, *, form: Callable[[RecordShape], Any]) -> Coder:
    """Return the coder of a form that knows shapes only."""
    made = form(record_shape(message.fields, {}))
    return _of_data(message, form=SHAPED, write=made.encode, read=made.decode)


def _of_data(
    message: Message,
    *,
    form: Form | Pack,
    write: Callable[[Any], bytes],
    read: Callable[[bytes], Any],
) -> Coder:
    """Return the coder that writes and reads the data of a form."""
    return Coder(
        lambda values: write(form.data(message, values)),
        lambda octets: form.values(message, read(octets)),
        lambda values: write(form.data_of_read(message, values)),
    )


def _messagepack(message: Message, *, form: Form) -> Coder:
    import msgpack  # noqa: PLC0415 - loaded where it is used

    floats = [field for _, field in walk(message.fields) if isinstance(field, Float)]
    single = all(field.bits <= 32 for field in floats)

    def write(plain: Any) -> bytes:
        try:
            return bytes(msgpack.packb(plain, use_single_float=single))
        except OverflowError:
            raise Unsayable("a number of steps takes more than 64 bits") from None

    return _of_data(
        message, form=form, write=write, read=partial(msgpack.unpackb, strict_map_key=False)
    )


def _is_there(module: str) -> bool:
    try:
        return find_spec(module) is not None
    except (ImportError, ValueError):  # a parent package that is missing or hidden
        return False


_CBOR = partial(_of_data, write=cbor_of, read=read_cbor)
_STEPPED = Writing("steps")
_TEXT = Writing("text", times=True)
_PACK_CBOR = Writing("real", units=Units(pack_from_cbor, pack_to_cbor))
_PACK_TEXT = Writing("text", units=Units(pack_from_json, pack_to_json))
_PACKAGES = {
    "asn1tools": "asn1tools",
    "cbor2": "cbor2",
    "google.protobuf": "protobuf",
    "msgpack": "msgpack",
}
_SERIES = "samples of a series all in full"
_STEPS = f"numbers as whole steps, counted from 0 where 0 lies on their grid; {_SERIES}"

ENCODINGS = (
    Encoding("as designed", "the format of the design file", _as_designed, writing=None),
    Encoding(
        "ASN.1 UPER", "constrained integers and presence bits (ITU-T X.691); special codes follow the range; floats "
        f"as the octets of IEEE 754; {_SERIES}; only the bits that the ranges need, wider ones of the design left out",
        partial(_shaped, form=Uper), "asn1tools",
    ),
    Encoding(
        "C struct, packed", f"little-endian, integers of 8, 16, 32 or 64 bits; {_STEPS}; arrays of changing "
        "length take their greatest size, absent fields their place, unions their largest option; no padding",
        partial(_shaped, form=partial(CLayout, packed=True)), rigid=True,
    ),
    Encoding(
        "C struct, padded", "as the packed one, and every member aligned to its own size, as the C ABI of the usual "
        "32-bit microcontrollers has it", partial(_shaped, form=partial(CLayout, packed=False)), rigid=True,
    ),
    Encoding(
        "Protocol Buffers", f"proto3; {_STEPS}; signed ones as sint64; what is 0 and always there is not sent; "
        "arrays of numbers packed", partial(_shaped, form=Protobuf), "google.protobuf", _STEPPED,
    ),
    Encoding(
        "CBOR array", f"fields in order; {_STEPS}; special codes as null or their name; floats in the shortest "
        "form that keeps the value, so 1.5 takes 3 octets and 48.3 nine (RFC 8949 section 4.1)",
        partial(_CBOR, form=CBOR_ARRAY), "cbor2", _STEPPED,
    ),
    Encoding("CBOR map", "as the array, with integer keys from 0", partial(_CBOR, form=CBOR_MAP), "cbor2", _STEPPED),
    Encoding(
        "MessagePack array", "the same data as in CBOR; floats of 32 bits unless the message has one of 64",
        partial(_messagepack, form=CBOR_ARRAY), "msgpack", _STEPPED,
    ),
    Encoding(
        "MessagePack map", "as the array, with integer keys from 0",
        partial(_messagepack, form=CBOR_MAP), "msgpack", _STEPPED,
    ),
    Encoding(
        "JSON, compact", "field names as keys, values in their unit, no spaces, octets in base64url; read as doubles; "
        "a control character in a text takes six; floats have no NaN and no infinity (RFC 8259 section 6)",
        partial(_of_data, form=NAMED, write=text_of, read=read_text), writing=_TEXT,
    ),
    Encoding(
        "SenML CBOR", f"RFC 8428: a record for each value, in its unit, percent as the ratio; a base name of "
        f"{len(BASE_NAME)} characters as in its examples, the message's time as base time, base units; times below "
        "2**28 s mean relative to now; elements of an array have their index in their names, those with a time each "
        "that alone, as long as it rises, as it does in the largest; floats as in CBOR, no decimal fractions, and as "
        "in JSON no NaN and no infinity",
        partial(_of_data, form=Pack(lambda _name, _bits, value: value), write=pack_to_cbor, read=pack_from_cbor),
        "cbor2", _PACK_CBOR,
    ),
    Encoding(
        "SenML JSON", "the same pack as text, also without NaN and infinity; read as doubles",
        partial(_of_data, form=Pack(real_of), write=pack_to_json, read=pack_from_json), writing=_PACK_TEXT,
    ),
)  # fmt: skip
