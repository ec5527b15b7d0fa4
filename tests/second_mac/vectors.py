"""The vectors of IEEE 802.15.4 put to both readers."""

from pathlib import Path
from typing import Any

from second_mac.compare import Difference, differences
from second_mac.security import Known
from vector_files import document

FOLDER = Path(__file__).parents[2] / "vectors" / "ieee802154"
PANS = (0x4321, 0xABCD)  # those of the vectors: a device told without its PAN is one of all of them


def cases() -> list[dict[str, Any]]:
    """Return the vectors that are whole frames."""
    found = [case for path in sorted(FOLDER.glob("*.toml")) for case in document(path)["case"]]
    return [case for case in found if "wire" in case]


def known(case: dict[str, Any]) -> Known | None:
    """Return what this vector tells beside its octets; of several keys the last, which is the right one."""
    keys = [case["key"]] if "key" in case else [one["octets"] for one in case.get("keys", [])]
    if not keys or any("index" in one and case.get("sealed") for one in case.get("keys", [])):
        return None
    devices: dict[tuple[int | None, bytes], bytes] = {}
    for name, eui in case.get("devices", {}).items():
        pan, _, short = name.rpartition(":")
        for one in [int(pan, 16)] if pan else PANS:
            devices[one, bytes.fromhex(short)] = bytes.fromhex(eui)
    return Known(bytes.fromhex(keys[-1]), case.get("asn"), devices)


def asked(case: dict[str, Any]) -> list[Difference]:
    """Return what the readers tell differently of a vector."""
    return differences(bytes.fromhex(case["wire"]), case.get("fcs", 0), known(case))
