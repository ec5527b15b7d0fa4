"""Sensor measurement lists (SenML, RFC 8428): packs as JSON and as CBOR, and base fields resolved.

A record is a dictionary with the labels of table 1 (``n``, ``u``, ``v`` ...). Numbers in CBOR are written as
integers or the shortest floating point that keeps the double; decimal fractions (tag 4), which section 6 also
allows, are read, and not written, as in its own example.
"""

import re
from collections.abc import Iterable, Iterator, Mapping
from decimal import Decimal
from json import JSONDecodeError
from math import isfinite
from typing import Any, Literal

from lowpanbudget.bits import as_octets
from lowpanbudget.cites import Cite
from lowpanbudget.errors import Malformed, RequestError, repeated
from lowpanbudget.payload.exact import EXACT, exact
from lowpanbudget.payload.flaws import kind_of
from lowpanbudget.payload.forms.doubles import (
    as_double,
    cbor_of,
    number_of,
    octets_from,
    octets_text,
    read_cbor,
    read_text,
    text_of,
)
from lowpanbudget.payload.forms.senml_records import Entry
from lowpanbudget.values import FrozenDict

CITE = Cite("RFC 8428", "4")
_PACK = Cite("RFC 8428", "3")  # "SenML Pack:  One or more SenML Records in an array structure"
_NO_RECORD = "an array without a record is no pack"
_JSON, _CBOR = Cite("RFC 8428", "5"), Cite("RFC 8428", "6")
_LAYER = "SenML"
Form = Literal["json", "cbor"]


# Table 4 "CBOR Representation: Integers for Map Keys"
CBOR_LABELS = {
    "bver": -1, "bn": -2, "bt": -3, "bu": -4, "bv": -5, "bs": -6,
    "n": 0, "u": 1, "v": 2, "vs": 3, "vb": 4, "s": 5, "t": 6, "ut": 7, "vd": 8,
}  # fmt: skip
_LABELS = {code: label for label, code in CBOR_LABELS.items()}
_TEXTS = frozenset({"bn", "bu", "n", "u", "vs"})
_NUMBERS = frozenset({"bt", "bv", "bs", "v", "s", "t", "ut"})
_RIGHT = {**dict.fromkeys(_TEXTS, "a text"), **dict.fromkeys(_NUMBERS, "a number"), "vb": "true or false"}  # fmt: skip
_VALUES = frozenset({"v", "vs", "vb", "vd"})  # "Exactly one Value field MUST appear" (section 4.2)
_NAME = re.compile(r"[A-Za-z0-9][-A-Za-z0-9:./_]*")  # of the concatenated name (section 4.5.1)
_BASE_VERSION = 10  # "defaults to 10 if not present" (section 4.1)
_VERSION = Cite("RFC 8428", "4.1")


def read_senml(octets: bytes, form: Form = "json") -> tuple[Entry, ...]:
    """Return the records of a SenML pack in JSON or CBOR (``form``), in order: read-only dictionaries.

    Source: RFC 8428 section 4. Labels are those of table 1 (``bn``, ``n``, ``u``, ``v`` ...) in both forms; fields that
    are not known are left out (section 4.4). Numbers are as a double holds them, ``vd`` is octets, ``bver`` a whole
    number from 1 on; times are in seconds. ``resolve_senml`` applies the base fields. Raises ``Malformed`` for what is
    no pack, such as an array without a record (section 3), with the number of the record that is wrong, and the offset
    where the JSON ends to be JSON (0 where it is nested too deeply); ``RequestError`` for what are no octets.
    """
    read = pack_from_cbor if _form(form) == "cbor" else pack_from_json
    return tuple(map(FrozenDict, read(as_octets(octets))))


def write_senml(records: Iterable[Mapping[str, Any]], form: Form = "json") -> bytes:
    """Return a SenML pack of these records in compact JSON or in CBOR of definite length (``form``).

    Records are dictionaries with the labels of table 1, as ``read_senml`` returns them; exact decimals are written as
    the nearest number. Raises ``RequestError`` for no records at all, one without a field, a label that is not known, a
    value of the wrong type, no finite number that a double holds, more values than one, none where there is no sum
    either, and a name that is none (RFC 8428 section 4.5.1).
    """
    given = list(_given(records, is_written=True))
    if not given:
        raise RequestError(
            _NO_RECORD, cite=_PACK, hint="Send no pack where there is nothing to say"
        )
    try:
        resolve(given)
    except Malformed as error:
        raise RequestError(error.message, cite=error.cite) from None
    pack = [
        {
            label: number_of(item) if isinstance(item, Decimal) else item
            for label, item in one.items()
        }
        for one in given
    ]
    return pack_to_cbor(pack) if _form(form) == "cbor" else pack_to_json(pack)


def resolve_senml(records: Iterable[Mapping[str, Any]]) -> tuple[Entry, ...]:
    """Return the records with all base fields applied, in the order of the pack: read-only dictionaries.

    Names are joined; times, values and sums are exact decimals, added up, and absent where neither part is there.
    Source: RFC 8428 section 4.6. A ``bver`` other than 10 stays, in every record. A time below 2**28 is relative
    (section 4.5.3), and stays so: when the pack came only its receiver knows. Raises ``Malformed`` for a version of
    SenML that is not known, a name that is none when it is joined, and a record without a value or a sum;
    ``RequestError`` as ``write_senml`` for what no record can hold.
    """
    return tuple(map(FrozenDict, resolve(_given(records))))


def _given(records: Iterable[Mapping[str, Any]], *, is_written: bool = False) -> Iterator[Entry]:
    """Yield the records that a caller gives; raises ``RequestError`` for one that no pack can hold."""
    if not isinstance(records, Iterable):
        raise RequestError(f"records are dictionaries, not {type(records).__name__}", cite=CITE)
    for number, record in enumerate(records, 1):
        if not isinstance(record, Mapping):
            raise RequestError(f"record {number} is no dictionary", cite=CITE)
        if not record and is_written:
            raise RequestError(f"record {number} says nothing", cite=CITE)
        if strange := [label for label in record if label not in CBOR_LABELS]:
            raise RequestError(
                f"record {number}: {strange[0]!r} is no label", cite=CITE,
                hint=f"Labels: {', '.join(CBOR_LABELS)}",
            )  # fmt: skip
        try:
            _judged(dict(record), from_text=False)
        except Malformed as error:
            cite = error.cite or CITE
            raise RequestError(f"record {number}: {error.message}", cite=cite) from None
        yield dict(record)


def _form(form: str) -> str:
    if not isinstance(form, str) or form not in {"json", "cbor"}:
        raise RequestError(f"form {repeated(form)} is neither 'json' nor 'cbor'")
    return form


def pack_to_json(pack: Iterable[Entry]) -> bytes:
    """Return a pack as compact JSON; octets of ``vd`` become base64url (section 5)."""
    return text_of([{label: _as_text(item) for label, item in entry.items()} for entry in pack])


def pack_from_json(octets: bytes) -> list[Entry]:
    """Return the records of a JSON pack; ``WireError`` where it is none."""
    try:
        pack = read_text(octets)
    except JSONDecodeError as error:
        offset = len(error.doc[: error.pos].encode())
        raise Malformed("no JSON from here on", offset=offset, layer=_LAYER, cite=_JSON) from None
    except UnicodeDecodeError as error:
        raise Malformed(
            "no UTF-8 from here on", offset=error.start, layer=_LAYER, cite=_JSON
        ) from None
    except RecursionError:
        raise Malformed("JSON nested too deeply", layer=_LAYER, cite=_JSON) from None
    except (ValueError, OverflowError) as error:
        raise Malformed(f"no JSON: {error}", layer=_LAYER, cite=_JSON) from None
    return _records(pack, from_text=True)


def pack_to_cbor(pack: Iterable[Entry]) -> bytes:
    """Return a pack as CBOR of definite length, with integer labels (section 6)."""
    return cbor_of(
        [{CBOR_LABELS.get(label, label): item for label, item in entry.items()} for entry in pack]
    )


def pack_from_cbor(octets: bytes) -> list[Entry]:
    """Return the records of a CBOR pack; ``WireError`` where it is none."""
    try:
        pack = read_cbor(octets)
    except Exception as error:  # noqa: BLE001 - tags of the library's own raise errors of many kinds
        raise Malformed(f"no CBOR: {str(error)[:80]}", layer=_LAYER, cite=_CBOR) from None
    return _records(pack, from_text=False)


def resolve(pack: Iterable[Entry]) -> list[Entry]:
    """Return the records with all base fields applied, in the order of the pack.

    Numbers are exact decimals. Names are joined; times, values and sums added; absent ones stay absent
    where neither part is there.
    """
    base: Entry = {}
    records = []
    for number, entry in enumerate(pack, 1):
        base.update(
            {
                label: item
                for label, item in entry.items()
                if label in CBOR_LABELS and label[0] == "b"
            }
        )
        version = base.get("bver", _BASE_VERSION)
        if version > _BASE_VERSION:
            raise Malformed(f"version {version} is not known here", layer=_LAYER, cite=CITE)
        own = {label: item for label, item in entry.items() if not label.startswith("b")}
        if not own:
            continue  # base fields alone, as in section 5.1.7
        made = {**own, "n": _joined(number, base.get("bn", ""), own.get("n", ""))}
        if version != _BASE_VERSION:
            made["bver"] = version  # "it MUST be present in all the resolved SenML Records"
        if "u" not in own and "bu" in base:
            made["u"] = base["bu"]
        for label, under in (("t", "bt"), ("v", "bv"), ("s", "bs")):
            if label in own or (under in base and (label == "t" or _counts(own, label))):
                # zero is added to nothing: a sum would lose the sign of a negative zero
                parts = [exact(one) for one in (own.get(label), base.get(under)) if one is not None]
                made[label] = EXACT.add(*parts) if len(parts) > 1 else parts[0]
        if not made.keys() & (_VALUES | {"s"}):
            raise Malformed(
                f"record {number} has neither a value nor a sum", layer=_LAYER, cite=CITE
            )
        records.append(made)
    return records


def _joined(number: int, base: str, own: str) -> str:
    """Return the name of a record, whole."""
    name = base + own
    if not _NAME.fullmatch(name):
        raise Malformed(
            f"record {number} is named {name[:40]!r}: letters, digits, - : . / and _ make a name, and it begins with "
            "a letter or a digit", layer=_LAYER, cite=Cite("RFC 8428", "4.5.1"),
        )  # fmt: skip
    return name


def _counts(own: Entry, label: str) -> bool:
    """Return whether a base value or base sum makes up for one that is not there."""
    return label == "s" or not own.keys() & _VALUES


def _as_text(item: Any) -> Any:
    return octets_text(item) if isinstance(item, bytes) else item


def _listed(pack: Any) -> list[Any]:
    if not isinstance(pack, list) or not all(isinstance(entry, dict) for entry in pack):
        raise Malformed("a pack is an array of records", layer=_LAYER, cite=CITE)
    if not pack:
        raise Malformed(_NO_RECORD, layer=_LAYER, cite=_PACK)
    return pack


def _records(pack: Any, *, from_text: bool) -> list[Entry]:
    """Return the records of a pack as JSON or CBOR has it; what is wrong is told with its number."""
    records = []
    for number, entry in enumerate(_listed(pack), 1):
        labelled = entry if from_text else {_LABELS.get(k, k): item for k, item in entry.items()}
        try:
            records.append(_judged(labelled, from_text=from_text))
        except Malformed as error:
            cite = error.cite or CITE
            raise Malformed(f"record {number}: {error.message}", layer=_LAYER, cite=cite) from None
    return records


def _judged(entry: Entry, *, from_text: bool) -> Entry:
    """Return a record whose fields have the right types; unknown ones are ignored (section 4.4)."""
    made: Entry = {}
    for label, item in entry.items():
        if label not in CBOR_LABELS:
            if isinstance(label, str) and label.endswith("_"):
                raise Malformed(f"field {label[:40]!r} must be understood", layer=_LAYER, cite=CITE)
            continue
        if label == "bver":
            made[label] = _version(item, from_text=from_text)
            continue
        # a decimal fraction (RFC 8949 section 3.4.4) comes from the library as a decimal
        number = isinstance(item, int | float | Decimal) and not isinstance(item, bool)
        wanted = (
            isinstance(item, str) if label in _TEXTS
            else number if label in _NUMBERS
            else isinstance(item, bool) if label == "vb"
            else isinstance(item, str if from_text else bytes)
        )  # fmt: skip
        if not wanted:
            right = _RIGHT.get(label) or ("base64url as text" if from_text else "octets")
            said = f"field {label} is {kind_of(item)}: {right} should stand there"
            raise Malformed(said, layer=_LAYER, cite=CITE)
        if label in _TEXTS and not _is_unicode(item):
            raise Malformed(f"field {label} holds half of a surrogate pair", layer=_LAYER)
        made[label] = _number(item) if label in _NUMBERS else item
        if label == "vd" and from_text:
            try:
                made[label] = octets_from(item)
            except ValueError:
                raise Malformed("field vd is no base64url", layer=_LAYER, cite=CITE) from None
    if len(values := [label for label in made if label in _VALUES]) > 1:
        raise Malformed(f"has the values {' and '.join(values)}: one is to be there", layer=_LAYER)
    return made


def _version(item: Any, *, from_text: bool) -> int:
    """Return a version of SenML: "an optional positive integer" (section 4.1).

    In CBOR "only an unsigned integer is allowed" (section 6); of JSON's numbers 10, 10.0 and 1e1 are the same integer
    (RFC 8610 appendix E).
    """
    whole = int(item) if from_text and isinstance(item, float) and item.is_integer() else item
    if isinstance(whole, bool) or not isinstance(whole, int) or whole < 1:
        is_number = isinstance(item, int | float | Decimal) and not isinstance(item, bool)
        said = repeated(item) if is_number else kind_of(item)
        raise Malformed(
            f"field bver is {said}: a version is a whole number from 1 on",
            layer=_LAYER,
            cite=_VERSION,
        )
    version: int = _number(whole)
    return version


def _is_unicode(text: str) -> bool:
    """Return whether all of a text are characters: an escape of JSON can be half of one (RFC 8259 section 8.2)."""
    try:
        text.encode()
    except UnicodeEncodeError:
        return False
    return True


def _number(item: Any) -> Any:
    """Return a number as a double holds it: what receivers must be able to process (section 5)."""
    try:
        double = as_double(item)
    except OverflowError:
        double = float("inf")
    if isinstance(double, float) and not isfinite(double):
        raise Malformed("no finite number that a double holds", layer=_LAYER, cite=CITE)
    return double
