"""What rules keep of the nodes at the ends of a frame: found once for all frames that are alike, and never another."""

from typing import Any

from lowpanbudget.findings.senders import HeardSender
from lowpanbudget.values import dataclass


@dataclass(slots=True)
class Entries:
    """What is noted of who sends data, and what its receiver was ``asked`` to acknowledge; None until it was found."""

    sender: HeardSender | None = None
    asked: Any = None
