"""Source routes that are shorter than the way of their flow: whatever is counted of its frames is too little."""

from dataclasses import replace

from lowpanbudget.design.flow import Flow
from lowpanbudget.errors import plural
from lowpanbudget.findings.draft import Draft, rooms_beside
from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.rule import Hits, Subject

ROUTES = Subject("routes")


@ROUTES.rule("route-shorter-than-hops", Flow)
def route_shorter_than_hops(draft: Draft, flow: Flow) -> Hits:
    """Measure the route that names each router on the way."""
    route, needed = flow.routing.route, flow.hops - 1
    if 0 < route < needed:
        whole = replace(flow, routing=replace(flow.routing, route=needed))
        evidence = tuple(rooms_beside(draft, flow, whole, f"over {needed}"))
        cause = f"the route names {plural(route, 'router')}, {flow.hops} hops have {needed}"
        yield Hit(cause, evidence, f"flow {flow.name}")
