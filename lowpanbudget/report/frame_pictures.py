"""The frames of budgets as pictures: those that a page draws, for files and notebooks."""

from collections.abc import Iterable

from lowpanbudget.errors import plural
from lowpanbudget.report.figure import fields_of
from lowpanbudget.report.page.figures import Figures
from lowpanbudget.report.svg.frame import FramePicture
from lowpanbudget.room.compute import Budget

CAUTION = "As encoded; a network also loses frames, and radio use follows the rules of the place."


def frame_pictures(budgets: Iterable[Budget]) -> list[FramePicture]:
    """Return the fullest frame of each flow and hop, with a sentence on its room."""
    return [_picture(one) for one in budgets]


def _picture(one: Budget) -> FramePicture:
    figures = Figures()
    fields = fields_of(figures.data(), figures.full_frame(one.path, one.room))
    over, octets = plural(-one.room, "octet"), one.ledger.octets
    says = f"Nothing fits: the headers alone are {over} over."
    if one.room >= 0:
        room, headers = plural(one.room, "octet"), plural(octets - one.room, "octet")
        says = f"{room} of your data; {headers} of {octets} are headers and trailer."
    return FramePicture(f"{one.flow}, {one.hop} hop", says, fields)
