"""A store and its device for one test: the work is noted, so that limits can be held against it."""

from __future__ import annotations

from contextlib import AbstractContextManager, nullcontext
from typing import Generic, TypeVar, cast

from simfs.files import Store
from simfs.files.card_store import CardStore
from simfs.files.heard import FileCall
from simfs.files.modes import parse_mode
from simfs.replay.device.device import Device
from simfs.replay.device.name_check import name_faults
from simfs.replay.scenario.input_faults import BadScenario
from simfs.replay.scenario.load import check_expectations
from simfs.replay.scenario.quantities import parse_duration
from simfs.show.text import as_text
from simfs.study.run.expect import judge, surprises
from simfs.study.run.measure import figures

AStore = TypeVar("AStore", bound=Store | CardStore)
TASK = "test"


class Bench(Generic[AStore]):
    """A store, `store`, whose every operation is noted; opened files are noted too. After a `boot` it is another one.

    The device's time passes with the operations and with `wait`. `device` takes observers.
    """

    def __init__(self, store: AStore, title: str, source: str) -> None:
        self._title, self._source = title, source
        self._opened: dict[int, FileCall] = {}
        self.device = Device(store)
        store.listen_to_calls(self)

    @property
    def store(self) -> AStore:
        return cast("AStore", self.device.store)

    def boot(self) -> AStore:
        """Start the device anew: the store as a mount finds it. What was open is lost, with what waited in it."""
        self.device.boot()
        return self.store

    def wait(self, duration: str) -> None:
        """Let time pass on the device, "10 min" for example; a store that cleans in idle time gets it."""
        self.device.wait_until(self.device.now_ns + parse_duration(duration))

    def expect(self, **limits: object) -> None:
        """Compare the work so far with limits, which have the names and values of a scenario's [expect]:
        `write_stall_max="50 ms"`, `erases_max=3`, `write_amplification_max=2.5`. The AssertionError has the whole
        report. ValueError for an unknown limit."""
        __tracebackhide__ = True
        try:
            expect = check_expectations(limits, self._source)
        except BadScenario as error:
            raise ValueError(str(error)) from None
        run = self.device.finish(
            title=self._title, source=self._source, kind="test", expect=expect,
            name_faults=name_faults(self.device.names_used, self.store.name_rules),
        )  # fmt: skip
        taken = figures(run)
        verdicts = judge(run, taken)
        wrong = surprises(run, verdicts)
        if wrong:
            raise AssertionError("\n".join([*wrong, "", as_text(taken, verdicts)]))

    def call(self, call: FileCall) -> AbstractContextManager[None]:
        """A call on the store, noted as one operation. What the store refuses is noted and raised."""
        if call.kind in ("mount", "idle"):  # the device notes these itself
            return nullcontext()
        if call.kind == "open":
            self._opened[call.handle] = call
        opened = self._opened.get(call.handle, call)
        name = f"{call.name} -> {call.to}" if call.kind == "rename" else opened.name
        if call.kind == "open":
            writes = call.mode[:1] != "r"
        elif call.kind in ("flush", "close"):
            writes = parse_mode(opened.mode).writes
        else:
            writes = call.kind != "read"
        return self.device.operation(TASK, call.kind, name, writes=writes)
