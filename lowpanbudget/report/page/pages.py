"""Pages for callers: the text of one HTML file each."""

from os import PathLike
from typing import Unpack

from lowpanbudget.arguments import whole_number, with_flags
from lowpanbudget.capture.follow.trace_options import TraceOptions, check_known
from lowpanbudget.design.meaning import Design
from lowpanbudget.report.page.capture import MOST_FRAMES, capture_page
from lowpanbudget.report.page.design import design_page
from lowpanbudget.report.page.paper import capture_html, design_html

_MOST_ENCODED = 1 << 20  # a page of more would be read by no browser


@with_flags
def page_of_design(design: Design, *, combinations: int | None = None, network: bool = True) -> str:
    """Return a design as one HTML file: frames to scale, settings to switch, messages bit by bit.

    Where the design tells it, and unless ``network`` is False, it also has what the network carries, part of which may
    be simulated. Nothing in it is asked of another place. Of a flow with more than so many ``combinations`` of settings
    each change is encoded alone and in pairs: 4096, fewer where a design has more than four flows. Raises
    ``RequestError`` for what is no design or no number from 1 to 1048576.
    """
    most = combinations
    if most is not None:
        most = whole_number(most, "combinations", 1, _MOST_ENCODED)
    return design_html(design_page(Design.of(design), most=most, network=network))


def page_of_capture(
    capture: "str | PathLike[str]", *, frames: int = MOST_FRAMES, **known: "Unpack[TraceOptions]"
) -> str:
    """Return a capture (the name of a file) as one HTML file: findings with their frames, who sent when, octets.

    At most so many ``frames`` are drawn, those of the worst findings first. What is ``known`` is as for ``audit``: with
    keys the page holds decrypted contents, and says so. Raises ``RequestError`` as ``audit`` does.
    """
    check_known(known, "page_of_capture")
    return capture_html(
        capture_page(capture, most_frames=whole_number(frames, "frames", 1), **known)
    )
