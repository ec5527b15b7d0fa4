"""The messages of a design on its page: bits to scale, whether they fit, and what other encodings take."""

from collections.abc import Iterable, Iterator
from itertools import groupby
from typing import Any

from lowpanbudget.bits import Nature
from lowpanbudget.design.meaning import Design
from lowpanbudget.payload.bitmap import BitmapEntry
from lowpanbudget.report import view
from lowpanbudget.report.page.figures import Figures
from lowpanbudget.report.page.packing import packing
from lowpanbudget.report.screen import harmless
from lowpanbudget.report.span_text import time_that_ends
from lowpanbudget.room.encodings import Alternative, encodings
from lowpanbudget.room.fit import Fit


def message_pages(design: Design, results: Iterable[Fit], figures: Figures) -> list[view.Data]:
    """Return what a page tells of each message, in the order of the design, from ``fit(design)``."""
    others: dict[str, list[Alternative]] = {}
    for one in encodings(design):
        others.setdefault(one.message, []).append(one)
    return [
        {
            **_message(number, name, list(fits), others.get(name, []), figures),
            "packing": packing(design.message(name)),
        }
        for number, (name, fits) in enumerate(groupby(results, key=lambda one: one.message))
    ]


def _message(
    number: int, name: str, fits: list[Fit], others: list[Alternative], figures: Figures
) -> view.Data:
    bitmap = fits[0].bitmap
    names = [figures.text(entry.name or entry.kind) for entry in bitmap]
    return {
        "id": f"message-{number}",
        "name": harmless(name),
        "least": min(one.least_octets for one in fits),
        "octets": max(one.octets for one in fits),
        "names": list(dict.fromkeys(names)),
        "fields": [
            [text, entry.bits, _is_padding(entry)]
            for text, entry in zip(names, bitmap, strict=True)
        ],
        "rows": list(_rows(bitmap)),
        "fits": [_fit(one) for one in fits],
        "advised": any(one.advice for one in fits),
        "encodings": [_encoding(one) for one in others],
        "collects": harmless(next((one.batch_of for one in others if _collects(one)), "")),
    }


def _collects(one: Alternative) -> bool:
    return any(place.collects for place in one.places)


def _is_padding(entry: BitmapEntry) -> bool:
    return entry.kind == Nature.PADDING.value


def _rows(bitmap: tuple[BitmapEntry, ...]) -> Iterator[view.Data]:
    for entry in bitmap:
        last = entry.offset + entry.bits - 1
        what = ", ".join(
            part for part in (entry.range, f"step {entry.step}" if entry.step else "") if part
        )
        yield {
            "bits": f"{entry.offset}" if entry.bits == 1 else f"{entry.offset} to {last}",
            "size": entry.bits,
            "name": harmless(entry.name or entry.kind),
            "kind": harmless(entry.kind),
            "what": harmless(f"{what} {entry.unit}".strip()),
            "note": harmless(entry.note),
        }


def _fit(one: Fit) -> view.Data:
    batch = (f"{one.batch} × {one.batch_of}" if one.batch else "none") if one.batch_of else ""
    if one.unmade:
        batch = f"none can be made: {one.unmade}"
    elif time_that_ends(one.batch_ends):
        batch += f", {one.batch_ends} spans no more"
    return {
        "flow": harmless(one.flow), "hop": one.hop, "fits": one.fits, "octets": one.octets, "room": one.room,
        "spare": one.spare, "frames": one.frames, "batch": harmless(batch),
        "advice": [harmless(saving.text) for saving in one.advice],
    }  # fmt: skip


def _encoding(one: Alternative) -> dict[str, Any]:
    sizes = one.octets
    return {
        "name": harmless(one.encoding),
        "sizes": [sizes.get(case) for case in ("least", "typical", "greatest")],
        "largest": one.largest,
        "is_bound": one.largest_is == "bound",
        "exact": one.exact,
        "fits": all(place.fits for place in one.places) if one.places else None,
        "batch": min((place.batch or 0 for place in one.places), default=0),
        "missing": harmless(one.missing),
    }
