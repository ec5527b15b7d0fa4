"""Frames in a form that the edition of their version forbids, and that can be read all the same."""

from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.rule import Hits, Noticed, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.stack.incoming import Notice

EDITIONS = Subject("editions", across=True)


@EDITIONS.rule("addressing-not-allowed", Noticed("addressing-not-allowed"))
def addressing_not_allowed(scene: Scene, notice: Notice) -> Hits:
    """Take what reading noticed about the addresses of a frame."""
    control = int.from_bytes(scene.frame.octets[:2], "little")
    evidence = (f"frame control {control:#06x}",)
    yield Hit(notice.text, evidence, scene.sender, cite=notice.cite)
