"""Results as pictures of a notebook: those that commands write as files, each with a name of its own."""

from collections.abc import Callable, Mapping
from functools import partial
from typing import Any

from lowpanbudget.capture.annotation import title_of
from lowpanbudget.capture.captured import CapturedFrame, CaptureFrames, sighting_of
from lowpanbudget.capture.files.reading import CaptureFile
from lowpanbudget.capture.files.record import Record
from lowpanbudget.deployment.airtime import MessageAirtime
from lowpanbudget.deployment.burst_plan import BurstPlan
from lowpanbudget.deployment.carried import CarriedNetwork
from lowpanbudget.design.cut import CutFrame
from lowpanbudget.errors import plural
from lowpanbudget.report import airtimes, carries, cuts
from lowpanbudget.report.frame_pictures import (
    CAUTION,
    budget_picture,
    ledger_picture,
    made_picture,
    seen_picture,
)
from lowpanbudget.report.svg.document import svg
from lowpanbudget.report.svg.frame import FramePicture, frames_svg
from lowpanbudget.room.compute import Budget
from lowpanbudget.room.ledger import Ledger
from lowpanbudget.room.savings import Saving
from lowpanbudget.stack.convert import Compressed, Decompressed
from lowpanbudget.stack.encoding import Encoded
from lowpanbudget.stack.frame import Frame

_MOST = 24  # frames of one picture


def _drawn_frames(
    make: Callable[[Any], FramePicture], caution: str, several: list[Any], noun: str = "frame"
) -> str:
    """Return frames, or payloads of frames, as one picture; empty for those without octets."""
    pictures = [one for one in map(make, several[:_MOST]) if one.fields]
    left_out = len(several) - _MOST
    more = f"{plural(left_out, f'more {noun}')} are in the text beneath." if left_out > 0 else ""
    title = plural(len(pictures), noun) + ", to scale"
    told = " ".join(words for words in (more, caution) if words)
    return frames_svg(pictures, title, told, within=True) if pictures else ""


def _captured_picture(captured: CapturedFrame) -> FramePicture:
    title = f"Frame {captured.number} of its capture"
    return seen_picture(captured.frame, title, sighting_of(captured)[0].unsealed)


def _drawn_airtimes(several: list[MessageAirtime]) -> str:
    charts = airtimes.charts(several, whole=len({one.flow for one in several}) == 1)
    return svg(charts, "Time on the air", airtimes.CAUTION, within=True) if charts else ""


def _drawn_networks(several: list[CarriedNetwork]) -> str:
    charts = [chart for network in several for chart in carries.charts(network)]
    return svg(charts, "What the network carries", carries.CAUTION, within=True)


def _drawn_bursts(several: list[BurstPlan]) -> str:
    charts = [
        chart
        for plan in several
        for chart in (carries.timeline_chart(plan), carries.queue_chart(plan))
    ]
    return svg(charts, "What becomes of a burst", carries.BURST_CAUTION, within=True)


def _drawn_cut(several: list[CutFrame]) -> str:
    return svg([cuts.cut_chart("", "", several)], "A payload in frames", CAUTION, within=True)


def _drawn_savings(several: list[Saving]) -> str:
    return svg([cuts.saving_chart(several)], "Room", CAUTION, within=True)


DRAWINGS: dict[type, Callable[[list[Any]], str]] = {
    Ledger: partial(_drawn_frames, ledger_picture, CAUTION),
    Budget: partial(_drawn_frames, budget_picture, CAUTION),
    Frame: partial(_drawn_frames, lambda frame: seen_picture(frame, title_of(frame)), ""),
    CapturedFrame: partial(_drawn_frames, _captured_picture, ""),
    Encoded: partial(_drawn_frames, made_picture, ""),
    Compressed: partial(_drawn_frames, made_picture, "", noun="payload"),
    Decompressed: partial(_drawn_frames, made_picture, "", noun="payload"),
    MessageAirtime: _drawn_airtimes,
    CarriedNetwork: _drawn_networks,
    BurstPlan: _drawn_bursts,
    CutFrame: _drawn_cut,
    Saving: _drawn_savings,
}


def drawn_as(result: object) -> str:
    """Return how to draw what is no result but holds or leads to some; nothing for anything else."""
    if isinstance(result, Record | CaptureFile | CaptureFrames):
        return "Show a capture as show(list_frames(capture)), frames of it as show(annotate(capture, numbers))"
    return "Show one of its values, or list(….values())" if isinstance(result, Mapping) else ""
