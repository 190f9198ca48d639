"""Charges each program and each erase of a run, as an observer of it, to the task and the file that caused it."""

from __future__ import annotations

from simfs.files.contract import AnyStore
from simfs.files.store import Store, log_of, the_log
from simfs.replay.device.observer import Observer
from simfs.store.format.codec import CLAIMS, DATA, FRAME_BYTES, HEAD, HEADER_BYTES, HOLE, KINDS, REMOVE, U32, Kind
from simfs.store.tables.listener import Cause
from simfs.study.wearers.files import Files, decoded
from simfs.study.wearers.ledger import Ledger
from simfs.study.wearers.report import NO_FILE, Wearers

BEFORE = "(before the run)"
NO_TASK = "(no task)"
NO_NAME = "(removed)"
NAME = int(Kind.NAME)
_DATA, _NAME = Cause.DATA, Cause.NAME
_OF_FILES = frozenset((Cause.DATA, Cause.NAME, Cause.RELOCATION, Cause.LEVELLING))  # the others charge who runs


class Charging(Observer):
    """Give it to a run, then ask for its `report`. For a store on flash; else NoLog.

    Bytes of files and names are charged to the file that they are of, under the name that it has then: new ones to the
    task that runs, moved ones to the task that wrote them. Structure and recovery are charged to the operation that
    runs. An erase is shared over the bytes programmed into its block since the erase before it, by `Ledger`.

    The first program of a frame has its header. Frames are taken apart here, as they were programmed, so that nothing
    has to be noted on the way of an append; one of a known file goes the quick way. Costs about a microsecond for each
    program.
    """

    def __init__(self, *, optional: bool = False) -> None:
        """`optional`: of a store that is not on flash nothing is charged, and that is no error."""
        self._optional = optional
        self._ledger = Ledger(0)
        self._outer: list[tuple[str, str]] = []
        self._task, self._name = NO_TASK, NO_FILE
        self._account, self._cause = 0, Cause.LOG_RECORD  # of the program before
        self._rest, self._next = 0, 0  # of the frame begun: bytes to come, and where
        self._held = b""  # its first bytes, while they do not say whose it is

    def run_begins(self, store: AnyStore) -> AnyStore:
        if self._optional and log_of(store) is None:
            return store
        log = the_log(store)
        self._block_bytes = log.flash.geometry.block_bytes
        self._ledger = Ledger(log.flash.geometry.block_count)
        named = ((number, node.name) for number, node in log.volume.state.nodes.items() if node.name is not None)
        self._files = Files(named, BEFORE, log.config.fold_case)
        self._by_number, self._by_name = self._files.by_number, self._files.by_name
        self._note_what_is_there(log)
        log.listen(self)
        return store

    def report(self) -> Wearers:
        """Who wore the flash until now."""
        self._charge_held()
        return self._ledger.report()

    def begins(self, task: str, operation: str, name: str, at_ns: int) -> None:
        self._outer.append((self._task, self._name))
        self._task, self._name = task, name

    def ends(self, task: str, operation: str, name: str, at_ns: int, refused: int) -> None:
        self._task, self._name = self._outer.pop()

    def programmed(self, address: int, data: bytes, cause: Cause) -> None:
        if self._rest <= 0:
            if cause is _DATA and data[0] == DATA:
                file = self._by_number.get(data[6:10])
                if file is not None and file.writer == self._task:
                    size = len(data)
                    self._ledger.in_block[address // self._block_bytes][file.data_account] += size
                    self._rest = (data[4] | data[5] << 8) + FRAME_BYTES - size
                    if self._rest > 0:
                        self._account, self._cause, self._next = file.data_account, cause, address + size
                    return
            elif cause is _NAME and data[0] == NAME:
                file = self._by_name.get(data[HEADER_BYTES:-4])  # all of the name, where nothing is cut off or padded
                if (
                    file is not None
                    and file.namer == self._task
                    and file.number != data[6:10]
                    and (data[4] | data[5] << 8) + FRAME_BYTES == len(data)
                ):
                    self._ledger.in_block[address // self._block_bytes][file.name_account] += len(data)
                    self._files.emptied(file, data[6:10])
                    return
        self._charge(address, data, cause)

    def erased(self, block: int, cause: Cause) -> None:
        self._charge_held()
        self._ledger.erased(block, self._running(cause))

    def _note_what_is_there(self, log: Store) -> None:
        """A store that was just made has programmed one block: as many bytes as the flash says. Of any other one the
        bytes that are not blank are taken."""
        account = self._ledger.number(BEFORE, NO_FILE, Cause.LOG_RECORD)
        image, size = log.flash.image(), self._block_bytes
        taken = [size - image.count(0xFF, at, at + size) for at in range(0, len(image), size)]
        blocks = [block for block, count_bytes in enumerate(taken) if count_bytes]
        if len(blocks) == 1:
            taken[blocks[0]] = max(taken[blocks[0]], min(log.flash.program_bytes, size))
        for block in blocks:
            self._ledger.before(account, block, taken[block])

    def _charge(self, address: int, data: bytes, cause: Cause) -> None:
        size = len(data)
        if self._rest > 0 and address == self._next and cause is self._cause:
            self._rest -= size
            self._next += size
            if not self._held:
                self._put(address, self._account, size)
                return
            address, data = address - len(self._held), self._held + data
        else:
            self._charge_held()
            self._cause, self._next = cause, address + size
            if cause not in _OF_FILES or data[0] not in KINDS:
                self._put(address, self._running(cause), size)
                return
        self._take_apart(address, data, cause)

    def _take_apart(self, address: int, data: bytes, cause: Cause) -> None:
        """The first bytes of a frame, as far as they were programmed: charge them, or hold them until there are
        more."""
        if len(data) < HEAD.size:
            self._held, self._rest = data, 1
            return
        first, length, _, offset = HEAD.unpack_from(data)
        kind, number = first & 0xFF, data[6:10]
        self._rest = FRAME_BYTES + length - len(data)
        if self._rest > 0 and (kind != DATA or cause is not _DATA):
            self._held = data
            return
        self._held = b""
        payload = data[HEADER_BYTES : HEADER_BYTES + length]
        if kind in CLAIMS:
            self._charge_claim(address, cause, kind, number, payload, len(data))
        elif kind == HOLE:  # from what its payload says up to its offset; and bytes behind it
            part = U32.unpack_from(payload)[0], offset + length - U32.size
            self._charge_bytes(address, cause, number, part, len(data))
        elif kind == DATA:
            self._charge_bytes(address, cause, number, (offset, offset + length), len(data))
        else:  # what is told of a block
            self._put(address, self._running(cause), len(data))

    def _charge_claim(self, address: int, cause: Cause, kind: int, number: bytes, payload: bytes, size: int) -> None:
        name = payload.partition(b"\0")[0]
        if cause is not _NAME:
            namer = self._files.namer(name) or BEFORE
            self._put(address, self._ledger.number(namer, decoded(name), cause), size)
            return
        account = self._ledger.number(self._task, decoded(name), cause)
        self._put(address, account, size)
        if kind == REMOVE:
            self._files.taken_away(name, self._task)
            return
        file = self._files.claimed(kind, number, payload, self._task)
        file.name_account = account
        if file.writer is not None:
            file.data_account = self._ledger.number(file.writer, decoded(name), _DATA)

    def _charge_bytes(self, address: int, cause: Cause, number: bytes, part: tuple[int, int], size: int) -> None:
        """`size` bytes of a frame with that part of a file. Where several tasks wrote it, the header goes with the
        last one's bytes."""
        file, (begin, end) = self._by_number.get(number), part
        name = NO_NAME if file is None else decoded(file.name)
        if cause is _DATA:
            self._account = self._ledger.number(self._task, name, cause)
            self._put(address, self._account, size)
            if file is not None and file.wrote(begin, end, self._task):
                file.data_account = self._account
        elif file is None or file.owners is None:
            task = self._task if file is None else file.writer or self._task
            self._put(address, self._ledger.number(task, name, cause), size)
        else:
            task, extra = self._task, size
            for task, count_bytes in file.owners.of(max(begin, end - size), end):  # a hole takes no bytes
                extra -= count_bytes
                self._put(address, self._ledger.number(task, name, cause), count_bytes)
            self._put(address, self._ledger.number(task, name, cause), extra)

    def _charge_held(self) -> None:
        """A frame that breaks off, as when its program fails, before it says whose it is."""
        if self._held:
            self._put(self._next - len(self._held), self._running(self._cause), len(self._held))
            self._held = b""
        self._rest = 0

    def _running(self, cause: Cause) -> int:
        return self._ledger.number(self._task, self._name or NO_FILE, cause)

    def _put(self, address: int, account: int, size: int) -> None:
        self._ledger.in_block[address // self._block_bytes][account] += size
