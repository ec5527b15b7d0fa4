"""How workers run thousands of tests at little cost.

Most tests have arguments alone and take less time than what goes around them. Such a test needs nothing set up but its
module, and one that passed nothing put away and little told, which goes to the other process with others. All others,
all that fail, and all tests where there are no workers are run as pytest runs them.

In a fresh clone every module has to be compiled. Half of the workers import from the end, so that each finds what
another compiled.
"""

import sys
import time
from functools import cache
from threading import Lock
from typing import Any

import pytest
from _pytest.outcomes import TEST_OUTCOME
from _pytest.pathlib import import_path
from _pytest.runner import (
    CallInfo,
    call_and_report,
    check_interactive_exception,
    get_reraise_exceptions,
    runtestprotocol,
)

MARKS = {"parametrize"}  # others may skip a test, or ask for more


SETTING_UP = {"runner", "skipping", "capturemanager", "threadexception", "unraisableexception"}
TOLD_TOGETHER = {"testreport", "runtest_protocol_complete"}
TOGETHER, APART_S = (
    50,
    0.05,
)  # so much is told together, and that soon: a worker that ends at once is told rightly


def pytest_sessionstart(session: pytest.Session) -> None:
    """Tell together what passed: each message takes both processes longer than most tests."""
    if _is_worker(session):
        (worker,) = (
            one for one in session.config.pluginmanager.get_plugins() if hasattr(one, "sendevent")
        )
        worker.sendevent = _Messages(worker)
    elif session.config.pluginmanager.has_plugin("dsession"):
        from xdist.workermanage import WorkerController

        WorkerController.process_from_remote = _apart(WorkerController.process_from_remote)


class _Messages:
    """Sends messages of tests that passed when there are some, when they have waited, or when no test is left."""

    def __init__(self, worker: Any) -> None:
        self.worker = worker
        self.send = worker.sendevent
        self.lock = Lock()  # tests given back are told by another thread
        self.waiting: list[tuple[str, dict[str, Any]]] = []
        self.sent_s = 0.0

    def __call__(self, name: str, **told: Any) -> None:
        """Send a message or keep it, and never before those that wait."""
        passed = name in TOLD_TOGETHER and told.get("data", {}).get("outcome", "passed") == "passed"
        with self.lock:
            self.waiting.append((name, told))
            goes_on = passed and len(self.worker.torun._items) > 1
            if (
                goes_on
                and len(self.waiting) < TOGETHER
                and time.monotonic() - self.sent_s < APART_S
            ):
                return
            self.send("together", messages=self.waiting)
            self.waiting, self.sent_s = [], time.monotonic()


def _apart(process: Any) -> Any:
    """Return what takes messages one by one, for those sent together as well."""

    def processed(self: Any, message: Any) -> None:
        if isinstance(message, tuple) and message[0] == "together":
            for one in message[1]["messages"]:
                process(self, one)
        else:
            process(self, message)

    return processed


@pytest.hookimpl(tryfirst=True)
def pytest_collection(session: pytest.Session) -> None:
    """Import all test modules from the last one on, in workers with odd numbers."""
    config = session.config
    if (
        not _is_worker(session)
        or int(config.workerinput["workerid"].removeprefix("gw")) % 2 == 0  # type: ignore[attr-defined]
        or config.args_source.name != "TESTPATHS"
    ):
        return
    left_out = {*config.getini("norecursedirs")}
    for path in sorted((config.rootpath / "tests").rglob("test_*.py"), reverse=True):
        if left_out.isdisjoint(path.parts):
            try:
                import_path(
                    path, mode="importlib", root=config.rootpath, consider_namespace_packages=False
                )
            except TEST_OUTCOME:  # collecting meets it again, and tells it
                for name, module in [*sys.modules.items()]:
                    if getattr(module, "__file__", None) == str(path):
                        del sys.modules[name]


def pytest_collection_finish(session: pytest.Session) -> None:
    """Keep which hooks hold for a file: no file of them is read any more."""
    vars(session)["gethookproxy"] = cache(session.gethookproxy)


def pytest_runtest_protocol(item: pytest.Item, nextitem: pytest.Item | None) -> bool:
    """Run a test; a start, set-up or end that went well is not reported where it has to cross to another process."""
    hook, worker = item.ihook, _is_worker(item)
    if not worker:
        hook.pytest_runtest_logstart(nodeid=item.nodeid, location=item.location)
    if (
        worker
        and _is_known(hook)
        and isinstance(item, pytest.Function)
        and _has_arguments_alone(item)
    ):
        reports = _called(item, nextitem, hook)
    else:
        reports = runtestprotocol(item, log=False, nextitem=nextitem)
    for report in reports:
        if report.when == "call" or not report.passed or not worker:
            hook.pytest_runtest_logreport(report=report)
    if not worker:
        hook.pytest_runtest_logfinish(nodeid=item.nodeid, location=item.location)
    return True


def _is_worker(node: pytest.Session | pytest.Item) -> bool:
    return hasattr(node.config, "workerinput")


def _is_known(hook: Any) -> bool:
    """Return whether no plugin but these does something before a test: they need not where nothing is set up."""
    return SETTING_UP.issuperset(
        one.plugin_name for one in hook.pytest_runtest_setup.get_hookimpls()
    )


def _has_arguments_alone(item: pytest.Function) -> bool:
    """Return whether a test of a module takes values that stand beside it, no fixture, and no examples are drawn."""
    values = item.callspec.params if hasattr(item, "callspec") else {}
    return (
        type(item) is pytest.Function
        and type(item.parent) is pytest.Module
        and all(name in values for name in item.fixturenames)
        and all(
            len(found) == 1 and _is_value(found[0])
            for found in item._fixtureinfo.name2fixturedefs.values()
        )
        and not hasattr(item.obj, "hypothesis")
        and all(mark.name in MARKS for mark in item.iter_markers())
    )


def _is_value(fixture: Any) -> bool:
    return type(fixture).__name__ == "DirectParamFixtureDef"


def _called(
    item: pytest.Function, nextitem: pytest.Item | None, hook: Any
) -> list[pytest.TestReport]:
    """Return what is told of a test whose module alone is set up."""
    module = item.parent
    assert module is not None
    try:
        item.session._setupstate.setup(module)  # type: ignore[arg-type]
    except TEST_OUTCOME:  # pytest meets it again, and tells it
        return runtestprotocol(item, log=False, nextitem=nextitem)
    item.funcargs = dict(item.callspec.params) if hasattr(item, "callspec") else {}
    call = CallInfo.from_call(
        lambda: hook.pytest_runtest_call(item=item), "call", get_reraise_exceptions(item.config)
    )
    if call.excinfo is None:
        path, line = _place(module, item.originalname, item)
        reports = [
            pytest.TestReport(
                item.nodeid, (path, line, item.name), {}, "passed", None, "call",
                duration=call.duration, start=call.start, stop=call.stop,
            )
        ]  # fmt: skip
    else:
        reports = [hook.pytest_runtest_makereport(item=item, call=call)]
        if check_interactive_exception(call, reports[0]):
            hook.pytest_exception_interact(node=item, call=call, report=reports[0])
    stops = item.session.shouldfail or item.session.shouldstop
    if stops or nextitem is None or nextitem.parent is not module:
        following = None if stops else nextitem
        ended = call_and_report(item, "teardown", log=False, nextitem=following)
        reports += [] if ended.passed else [ended]
    item.funcargs, item._request = {}, False  # type: ignore[assignment]
    return reports


PLACES: dict[tuple[pytest.Item | pytest.Collector, str], tuple[str, int | None]] = {}


def _place(
    module: pytest.Item | pytest.Collector, name: str, item: pytest.Function
) -> tuple[str, int | None]:
    """Return file and line of a test, which are the same for all its values."""
    if (module, name) not in PLACES:
        PLACES[module, name] = item.location[:2]
    return PLACES[module, name]
