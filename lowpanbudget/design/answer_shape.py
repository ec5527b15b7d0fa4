"""What a flow says of the answer to its request: ``[flow.answer]``. The flow that it is gets made in ``answer``."""

from lowpanbudget.design.application_shape import HEX
from lowpanbudget.design.table import ShapeTable, key
from lowpanbudget.design.takes import FreeText, Listed, Whole


class AnswerShape(ShapeTable):
    """The answer to the flow's request: a flow of its own, from the receiver back to the sender."""

    name: str = key(FreeText(), "Its name; else the flow's with -answer behind it.", default="")
    code: str | None = key(
        FreeText(), "Its response code; else what the method is answered with.", default=None
    )
    content_format: int | None = key(
        Whole(0, 0xFFFF), "Content-Format of its message.", default=None
    )
    cid: bytes = key(HEX, "Connection ID of the one who asked; empty: none.", default=b"")
    route: int | None = key(
        Whole(0, 120),
        "Routers in its source route; else all it passes on its way down where another flow has one.",
        default=None,
    )
    messages: list[str] = key(
        Listed(FreeText()), "Names of the messages it carries; none: nothing.", default=()
    )
    most_frames: int = key(Whole(1, 256), "Frames that it may take.", default=1)
