"""A chip, a store and its device for one test: the work is noted, so that limits can be held against it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar, TypeVar

import pytest

from simfs.bridges.testing.options import PART, SEED, SIZE
from simfs.files import Store
from simfs.files.handle import StoreFile
from simfs.files.names import Name
from simfs.files.store import the_log
from simfs.flash import NorFlash
from simfs.flash.parts import PARTS
from simfs.replay.device.device import Device
from simfs.replay.device.name_check import name_faults
from simfs.replay.scenario.input_faults import BadScenario
from simfs.replay.scenario.load import check_expectations
from simfs.replay.scenario.quantities import parse_duration, parse_size
from simfs.show.text import as_text
from simfs.store.format.config import StoreConfig
from simfs.study.run.expect import judge, surprises
from simfs.study.run.measure import figures

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer

T = TypeVar("T")
TASK = "test"


@dataclass(frozen=True, slots=True)
class Setup:
    """The chip and the store of a test: from its marker, else the command line."""

    part: str
    block_count: int
    seed: int
    config: StoreConfig

    def chip(self) -> NorFlash:
        return NorFlash.part(self.part, block_count=self.block_count, seed=self.seed)

    def store(self, chip: NorFlash) -> Store:
        """The chip, formatted."""
        try:
            return Store.format(chip, self.config)
        except ValueError as error:
            raise refusal(f"simfs: {error}") from None


def refusal(what: str) -> BaseException:
    """What fails a test with this line and no traceback."""
    return pytest.fail.Exception(what, pytrace=False)


def setup_of(node: pytest.Item) -> Setup:
    """What a test asks for. What makes no sense fails it with one line."""
    settings: dict[str, Any] = {}
    for marker in reversed(list(node.iter_markers("simfs"))):  # the nearest has the last word
        settings |= marker.kwargs
    option = node.config.getoption
    part = settings.pop("part", None) or option("--simfs-part") or PART
    size = settings.pop("size", None) or option("--simfs-size") or SIZE
    seed = next((given for given in (settings.pop("seed", None), option("--simfs-seed")) if given is not None), SEED)
    if part not in PARTS:
        raise refusal(f"simfs: no part is named {part!r}; known are {', '.join(PARTS)}")
    try:
        sheet = PARTS[part]
        blocks, rest_bytes = divmod(parse_size(size), sheet.block_bytes)
        if rest_bytes:
            raise ValueError(f"size {size!r} is no multiple of the erase block of {part}, {sheet.block_bytes} bytes")
        return Setup(part, blocks, seed, StoreConfig(**{"seed": seed, **settings}))
    except (TypeError, ValueError) as error:
        raise refusal(f"simfs: {error}") from None


class Bench:
    """A store, `store`, whose every operation is noted; opened files are noted too. After a `boot` it is another one.

    The device's time passes with the operations and with `wait`.
    """

    def __init__(self, store: Store, title: str, source: str) -> None:
        self._title, self._source = title, source
        noted = type("NotedStore", (_NotedStore,), {"bench": self})
        self.device = Device(noted(store.volume))

    @property
    def store(self) -> Store:
        return the_log(self.device.store)

    def boot(self) -> Store:
        """Start the device anew: the store as a mount finds it. What was open is lost, with what waited in it."""
        self.device.boot()
        return self.store

    def wait(self, duration: str) -> None:
        """Let time pass on the device, "10 min" for example; a store that cleans in idle time gets it."""
        self.device.wait_until(self.device.now_ns + parse_duration(duration))

    def expect(self, **limits: object) -> None:
        """Hold what was done so far against limits with the names and values of a scenario's [expect]:
        `write_stall_max="50 ms"`, `erases_max=3`, `write_amplification_max=2.5`. An AssertionError has the whole
        report. ValueError for a limit that there is not."""
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

    def perform(self, operation: str, name: Name, action: Callable[[], T], *, writes: bool = True) -> T:
        """One operation, noted. What the store refuses is noted and raised."""
        refused: list[OSError] = []
        done: list[T] = []

        def kept() -> None:
            try:
                done.append(action())
            except OSError as error:
                refused.append(error)
                raise

        self.device.perform(TASK, operation, str(name), kept, writes=writes)
        if refused:
            raise refused[0]
        return done[0]


class _NotedFile(StoreFile):
    """An open file whose operations are noted."""

    __slots__ = ()

    _store: _NotedStore

    def readinto(self, buffer: Any, /) -> int:
        return self._noted("read", lambda: StoreFile.readinto(self, buffer), writes=False)

    def write(self, data: ReadableBuffer, /) -> int:
        return self._noted("write", lambda: StoreFile.write(self, data))

    def truncate(self, size: int | None = None, /) -> int:
        return self._noted("truncate", lambda: StoreFile.truncate(self, size))

    def flush(self) -> None:
        self._noted("flush", lambda: StoreFile.flush(self), writes=self._writes)

    def close(self) -> None:
        if not self.closed:
            self._noted("close", lambda: StoreFile.close(self), writes=self._writes)

    def _noted(self, operation: str, action: Callable[[], T], *, writes: bool = True) -> T:
        return self._store.bench.perform(operation, self.name, action, writes=writes)


class _NotedStore(Store):
    """A store whose operations are noted."""

    file_type = _NotedFile
    bench: ClassVar[Bench]

    def open(self, name: Name, mode: str = "r") -> StoreFile:
        return self.bench.perform("open", name, lambda: Store.open(self, name, mode), writes=mode[:1] != "r")

    def remove(self, name: Name) -> None:
        self.bench.perform("remove", name, lambda: Store.remove(self, name))

    def rename(self, old: Name, new: Name) -> None:
        self.bench.perform("rename", f"{old!s} -> {new!s}", lambda: Store.rename(self, old, new))

    def truncate(self, name: Name, size: int) -> None:
        self.bench.perform("truncate", name, lambda: Store.truncate(self, name, size))
