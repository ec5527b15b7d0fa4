"""lowpanbudget: how many application octets fit in an IEEE 802.15.4 frame, and why.

    capture --> stack --> layers <-- fields          findings --> report --> cli
     (octets     (frames    (octets    (one table       (what is     (terminal,
      in files)   to and     to and     a header)        wrong)       JSON)
                  datagram)  fields)
                    ^
    design ---------+---> room
     (link, flows,        (ledger, knobs)
      messages)

Imports go to the left alone: values < cites < errors < bits < env < fields < layers < stack < payload < design <
capture < room < findings < report < cli. The names below are loaded when first used.
"""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from lowpanbudget.bits import Span as Span
    from lowpanbudget.design.load import load_design as load_design
    from lowpanbudget.env import Context as Context
    from lowpanbudget.env import Env as Env
    from lowpanbudget.errors import (
        BadMic as BadMic,
    )
    from lowpanbudget.errors import (
        DesignError as DesignError,
    )
    from lowpanbudget.errors import (
        DoesNotFit as DoesNotFit,
    )
    from lowpanbudget.errors import (
        LowpanError as LowpanError,
    )
    from lowpanbudget.errors import (
        Malformed as Malformed,
    )
    from lowpanbudget.errors import (
        NotSupported as NotSupported,
    )
    from lowpanbudget.errors import (
        RequestError as RequestError,
    )
    from lowpanbudget.errors import (
        Reserved as Reserved,
    )
    from lowpanbudget.errors import (
        Truncated as Truncated,
    )
    from lowpanbudget.errors import (
        WireError as WireError,
    )
    from lowpanbudget.layers.link.auxiliary import Security as Security
    from lowpanbudget.layers.link.mac import Mac as Mac
    from lowpanbudget.layers.link.security import Key as Key
    from lowpanbudget.room.compute import budget as budget
    from lowpanbudget.room.fit import fit as fit
    from lowpanbudget.stack.convert import compress as compress
    from lowpanbudget.stack.convert import decompress as decompress
    from lowpanbudget.stack.decoder import Decoder as Decoder
    from lowpanbudget.stack.decoder import decode_frame as decode_frame
    from lowpanbudget.stack.encoding import encode_frame as encode_frame
    from lowpanbudget.stack.reassembly import Reassembler as Reassembler
    from lowpanbudget.stack.split import split as split

_HOMES = {
    "Span": "bits",
    "Context": "env",
    "Env": "env",
    "BadMic": "errors",
    "DesignError": "errors",
    "DoesNotFit": "errors",
    "LowpanError": "errors",
    "Malformed": "errors",
    "NotSupported": "errors",
    "RequestError": "errors",
    "Reserved": "errors",
    "Truncated": "errors",
    "WireError": "errors",
    "Security": "layers.link.auxiliary",
    "Mac": "layers.link.mac",
    "Key": "layers.link.security",
    "budget": "room.compute",
    "fit": "room.fit",
    "load_design": "design.load",
    "compress": "stack.convert",
    "decompress": "stack.convert",
    "Decoder": "stack.decoder",
    "decode_frame": "stack.decoder",
    "encode_frame": "stack.encoding",
    "Reassembler": "stack.reassembly",
    "split": "stack.split",
}
__all__ = sorted(_HOMES)  # noqa: PLE0605  # one list of the public names


def __getattr__(name: str) -> Any:
    """Return a public name; its module is imported when the name is first asked for."""
    home = _HOMES.get(name)
    if home is None:
        raise AttributeError(f"module 'lowpanbudget' has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(f"lowpanbudget.{home}"), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *_HOMES})
