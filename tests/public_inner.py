"""What of public classes is called by the package alone, with what it has made: nothing else is promised of it."""

from typing import Protocol

import lowpanbudget

INNER = [
    "Activity.plus", "CaptureFile.forget_cut", "CaptureFile.of", "ClockPutBack.again", "ContinuedCapture.file_of",
    "Contexts.after", "Contexts.get", "Contexts.gone", "Env.carried",
    "Estimate.map", "ExtensionNhc.restored", "Flow.ends_of", "Flow.mesh_ends", "Flow.tunnelled",
    "FragmentKey.answered", "FragmentKey.of",
    "Iphc.restored", "Key.cipher",
    "LearnedContext.at", "LearnedContext.renewed", "Legacy.restored", "Legacy.restored_udp", "Link.complete",
    "Link.is_of_network", "Link.must_take", "Link.pan_form", "MeasuredBurst.in_by", "Message.read", "Message.write",
    "Reassembler.expired", "SettingChange.of", "Spread.quantile", "Survey.apart", "UdpNhc.restored",
]  # fmt: skip
KEPT = {
    "Access.beyond_standard",
    "CaptureFile.source",
    "ContinuedCapture.source",
    "ExtensionNhc.sent",
    "Iphc.around",
    "Iphc.sent",
    "Legacy.sent",
    "Rpi.sent",
    "Reassembler.arrival",
    "Sweep.counted",
}  # what is kept for them
# parts of designs and of results: their attributes are for readers, their methods serve the package
PARTS = {
    "Access", "Aead", "Application", "Coap", "ContentLayout", "CountedFrames", "Delays", "Dtls", "Field", "FlowPath",
    "FrameLoss", "FrozenDict", "OptionDefinition", "Order", "Oscore", "PhyTiming", "Place", "Reader", "Routing",
    "SecurityLevel", "SendQueue", "Slots", "SlotTemplate", "Tree", "Writer",
}  # fmt: skip


def is_offered(kind: type) -> bool:
    """Return whether a class, or one that it derives from, has a public name, or needs none.

    Layouts of headers (``fields``) are the package's own tables, and of a ``Protocol`` anything will do that has the
    methods, such as a file of Python's.
    """
    if not kind.__module__.startswith("lowpanbudget") or kind.__module__.startswith(
        "lowpanbudget.fields."
    ):
        return True
    named = {getattr(lowpanbudget, name) for name in lowpanbudget.__all__}
    return Protocol in kind.__bases__ or any(base in named for base in kind.__mro__)
