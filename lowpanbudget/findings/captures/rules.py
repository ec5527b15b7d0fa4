"""All rules about captures."""

from lowpanbudget.findings.captures.acknowledgements import ACKNOWLEDGEMENTS
from lowpanbudget.findings.captures.answers import ANSWERS
from lowpanbudget.findings.captures.application import APPLICATION
from lowpanbudget.findings.captures.blocks import BLOCKS
from lowpanbudget.findings.captures.capture import CAPTURE
from lowpanbudget.findings.captures.check_sequences import CHECK_SEQUENCES
from lowpanbudget.findings.captures.checksums import CHECKSUMS
from lowpanbudget.findings.captures.configurations import CONFIGURATIONS
from lowpanbudget.findings.captures.contexts import CONTEXTS
from lowpanbudget.findings.captures.daos import DAOS
from lowpanbudget.findings.captures.delivery import DELIVERY
from lowpanbudget.findings.captures.directions import DIRECTIONS
from lowpanbudget.findings.captures.editions import EDITIONS
from lowpanbudget.findings.captures.flapping import FLAPPING
from lowpanbudget.findings.captures.floods import CROWDS, FLOODS
from lowpanbudget.findings.captures.forwarding import FORWARDING
from lowpanbudget.findings.captures.fragments import FRAGMENTS
from lowpanbudget.findings.captures.instances import INSTANCES
from lowpanbudget.findings.captures.joining import JOINING
from lowpanbudget.findings.captures.keys import KEYS
from lowpanbudget.findings.captures.link import LINK
from lowpanbudget.findings.captures.lowpan import LOWPAN
from lowpanbudget.findings.captures.mesh import MESH
from lowpanbudget.findings.captures.message_ids import MESSAGE_IDS
from lowpanbudget.findings.captures.message_numbers import MESSAGE_NUMBERS
from lowpanbudget.findings.captures.messages import MESSAGES
from lowpanbudget.findings.captures.network import NETWORK
from lowpanbudget.findings.captures.nodes import NODES
from lowpanbudget.findings.captures.observations import OBSERVATIONS
from lowpanbudget.findings.captures.parents import PARENTS
from lowpanbudget.findings.captures.paths import PATHS
from lowpanbudget.findings.captures.plan import PLAN
from lowpanbudget.findings.captures.prefixes import PREFIXES
from lowpanbudget.findings.captures.protection import PROTECTION
from lowpanbudget.findings.captures.reassembly import REASSEMBLY
from lowpanbudget.findings.captures.records import RECORDS
from lowpanbudget.findings.captures.recovery import RECOVERY
from lowpanbudget.findings.captures.refusals import REFUSALS
from lowpanbudget.findings.captures.registering import REGISTERING
from lowpanbudget.findings.captures.registrations import REGISTRATIONS
from lowpanbudget.findings.captures.replays import REPLAYS
from lowpanbudget.findings.captures.requests import REQUESTS
from lowpanbudget.findings.captures.routing import ROUTING
from lowpanbudget.findings.captures.rpl import RPL
from lowpanbudget.findings.captures.sealed import SEALED
from lowpanbudget.findings.captures.sealing_numbers import SEALING_NUMBERS
from lowpanbudget.findings.captures.security import SECURITY
from lowpanbudget.findings.captures.sizes import SIZES
from lowpanbudget.findings.captures.slots import SLOTS
from lowpanbudget.findings.captures.solicitations import SOLICITATIONS
from lowpanbudget.findings.captures.source_routes import SOURCE_ROUTES
from lowpanbudget.findings.captures.unreadable import UNREADABLE
from lowpanbudget.findings.captures.unsealing import UNSEALING
from lowpanbudget.findings.rule import rules_of

# in the order of what they look at: one that knows why a frame cannot be read, or why requests or DAOs are sent again,
# comes before those that only say so; fragments are counted before others explain what becomes of them
CAPTURE_RULES = rules_of(
    CAPTURE, CHECK_SEQUENCES, LINK, EDITIONS, SLOTS, ACKNOWLEDGEMENTS, NODES, SECURITY, UNSEALING, KEYS, SEALED,
    SEALING_NUMBERS, REPLAYS, RECORDS, UNREADABLE, CONTEXTS, LOWPAN, MESH, CHECKSUMS, SIZES, REASSEMBLY, FRAGMENTS,
    RECOVERY, NETWORK, PREFIXES, PARENTS, FLAPPING, CONFIGURATIONS, DAOS, REGISTRATIONS, REGISTERING, SOLICITATIONS,
    JOINING, RPL, INSTANCES, PATHS, ROUTING, SOURCE_ROUTES, DIRECTIONS, MESSAGE_IDS, REQUESTS, REFUSALS, ANSWERS,
    OBSERVATIONS, BLOCKS, APPLICATION, PROTECTION, PLAN, MESSAGES, CROWDS, FLOODS, FORWARDING, DELIVERY,
    MESSAGE_NUMBERS,
)  # fmt: skip
