"""A page as one file: nothing in it is asked of any other place, and a policy in it forbids to ask.

Data go in packed, and the script sets them as text only: what a design or a capture says can do nothing here.
"""

import json
import re
from base64 import b64encode
from collections.abc import Iterator
from functools import cache
from hashlib import sha256
from importlib.metadata import version
from typing import Any

from lowpanbudget.cites import FROM_MEMORY
from lowpanbudget.report.page.packed import packed
from lowpanbudget.report.page.still import still, still_frame
from lowpanbudget.report.page.words import page_words, why_more_frames_cost
from lowpanbudget.report.svg import looks
from lowpanbudget.report.svg.document import page_chart_style, page_patterns
from lowpanbudget.report.view import Data

_WIDTH = 32
_SCRIPTS = {
    "design": ("figure.js", "packing.js", "design.js"),
    "capture": ("figure.js", "capture.js"),
}


def design_html(page: Data) -> str:
    """Return the page of a design, from ``design_page``, as the text of an HTML file."""
    base = still(page)
    shown = [base, *(page[part] for part in ("phy", "slot", "messages", "review", "network"))]
    words = page_words(json.dumps(shown), [run["label"] for run in base["runs"]])
    return _render("design", page, base=base, words=words, why=why_more_frames_cost())


def capture_html(page: Data) -> str:
    """Return the page of a capture, from ``capture_page``, as the text of an HTML file."""
    return _render("capture", page, base=still_frame(page))


def _render(kind: str, page: Data, **known: Any) -> str:
    pictures = list(_pictures(page))
    style = (
        looks.page_style(_fills(page))
        + page_chart_style(pictures)
        + _lean_style(_part("page.css"))
        + _places()
    )
    script = "".join(_lean(_part(name)) for name in _SCRIPTS[kind])
    text: str = _environment().get_template(f"{kind}.html.jinja").render(
        page=page, data=packed(page), style=_Raw(style), style_hash=_hash(style), script=_Raw(script),
        script_hash=_hash(script), version=version("lowpanbudget"), from_memory=FROM_MEMORY, raw=_Raw,
        patterns=page_patterns(pictures), **known,
    )  # fmt: skip
    return text


def _fills(page: Data) -> set[str]:
    """Return the fills that a page has: those of its headers, and of the fields of its messages in turn."""
    fields = max((len(message["names"]) for message in page.get("messages", ())), default=0)
    places = {place for _, _, place in page["kinds"]} | set(range(min(fields, page["looks"])))
    return {"room", *(f"k{place}" for place in places)}


class _Raw(str):
    """Text of our own that goes in as it is: the template language asks for this method."""

    __slots__ = ()

    def __html__(self) -> str:
        return self


def _lean(script: str) -> str:
    """Return a script without blanks before its lines and without lines that are but remarks: pages stay small."""
    lines = (line.strip() for line in script.splitlines())
    return "".join(f"{line}\n" for line in lines if line and not line.startswith("//"))


def _lean_style(style: str) -> str:
    """Return a style sheet without remarks and without the blanks that only people need."""
    return re.sub(
        r"\s*([{};]|(?<=[a-z]):(?= )|,(?= |$))\s*", r"\1", re.sub(r"/\*.*?\*/|\n", "", style)
    )


def _pictures(page: Data) -> Iterator[str]:
    for name, pictures in (("network", "parts"), ("measured", "pictures")):
        yield from (one["svg"] for one in (page.get(name) or {}).get(pictures, ()))
    yield from (one["svg"] for one in page.get("apart", ()))


def _places() -> str:
    """Return the rules that put a piece of a field at its column, for pages whose script does not run."""
    columns = "".join(f".at{at}{{grid-column-start:{at + 2}}}" for at in range(_WIDTH))
    return columns + "".join(
        f".over{bits}{{grid-column-end:span {bits}}}" for bits in range(1, _WIDTH + 1)
    )


def _hash(text: str) -> str:
    return f"sha256-{b64encode(sha256(text.encode()).digest()).decode()}"


@cache
def _part(name: str) -> str:
    environment = _environment()
    text: str = environment.loader.get_source(environment, name)[0]
    return text


@cache
def _environment() -> Any:
    from jinja2 import Environment, PackageLoader, StrictUndefined  # noqa: PLC0415 - jinja2 is heavy

    return Environment(
        loader=PackageLoader("lowpanbudget.report.page"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
