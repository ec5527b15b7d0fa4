"""Octets of beacons and commands, written by the layouts that read them: no part of the product sends them."""

from lowpanbudget.layers.link.beacon import BEACON, Beacon
from lowpanbudget.layers.link.contents import COMMANDS, Command


def command_octets(command: Command) -> bytes:
    """Return the octets of a command, identifier first."""
    known = COMMANDS.content_of(command.id)
    content = b"" if known is None else known.write(command.fields)
    return bytes([command.id]) + content + command.more


def beacon_octets(beacon: Beacon) -> bytes:
    """Return the octets of a beacon of version 0 or 1, or of version 2 where ``beacon_order`` is None."""
    if beacon.beacon_order is None:
        return beacon.payload
    fields = {
        "beacon_order": beacon.beacon_order,
        "superframe_order": beacon.superframe_order,
        "final_CAP_slot": beacon.final_cap_slot,
        "battery_life_extension": beacon.battery_life_extension,
        "PAN_coordinator": beacon.pan_coordinator,
        "association_permit": beacon.association_permit,
        "GTS_permit": beacon.gts_permit,
        "slots": [
            {
                "gts_short_address": slot.short_address,
                "GTS_starting_slot": slot.starting_slot,
                "GTS_length": slot.length,
            }
            for slot in beacon.slots
        ],
        "pending_short": beacon.pending_short,
        "pending_extended": beacon.pending_extended,
    }
    if beacon.slots:
        fields["gts_directions"] = sum(slot.receive << at for at, slot in enumerate(beacon.slots))
    return BEACON.octets(fields) + beacon.payload
