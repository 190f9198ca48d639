"""A first look at a flash: the ruling statement, each block's state, its runs, and the log heads. Names and files come
later."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import pairwise
from operator import attrgetter

from simfs.flash import NorFlash
from simfs.store.format.codec import NO_BLOCK, NOWHERE, NUMBER_MAX, Frame, salt_of
from simfs.store.format.errors import CorruptStore
from simfs.store.format.layout import align_up
from simfs.store.format.settings import config_of
from simfs.store.format.statement import Statement
from simfs.store.log.block_scan import Scan, hurt_in, table_of
from simfs.store.log.killed import newest_end
from simfs.store.log.seal import Listing
from simfs.store.log.state import Doubt, Finding, StoreState
from simfs.store.mounting import reach
from simfs.store.mounting.block_reader import PLAINLY, Content, Look, Unlisted
from simfs.store.mounting.erase_counts import note_erase_counts
from simfs.store.mounting.lost_lead import find_lost_lead, is_left
from simfs.store.mounting.ruling import Ruling, find_ruling
from simfs.store.mounting.told import Told, Used, others_of, said_in, told_by
from simfs.store.tables.blocks import State


@dataclass(slots=True)
class Survey:
    """What a mount has found. `behind`: the sound frames of the open blocks that are newer than the ruling statement,
    by block, in the order of their addresses. `is_replayed`: the state has the files as well. `look`: what it was read
    with."""

    state: StoreState
    ruling: Ruling
    used: dict[int, Used] = field(default_factory=dict)
    behind: dict[int, list[Frame]] = field(default_factory=dict)
    is_replayed: bool = False
    look: Look = PLAINLY

    @property
    def said(self) -> Statement:
        return self.ruling.statement

    @property
    def open_blocks(self) -> list[int]:
        """The lead, and the other head's block."""
        other = self.said.other.block
        return [self.ruling.lead] if other == NO_BLOCK else [self.ruling.lead, other]

    @property
    def is_sound(self) -> bool:
        """Whether nothing is damaged for certain."""
        return not any(damage.certain for damage in self.state.damages)

    def scan_of(self, block: int) -> Scan:
        scan = self.used[block].scan
        assert scan is not None
        return scan


def survey(flash: NorFlash, look: Look = PLAINLY) -> Survey:
    """The state of the blocks and the log. Writes nothing. CorruptStore when there is no store; what is damaged stands
    in the state's `damages`."""
    ruling = find_ruling(flash, look)
    said = ruling.statement
    state = StoreState(flash, config_of(said.settings), said.settings)
    found = Survey(state, ruling, look=look)
    note_erase_counts(state, ruling)
    _read_blocks(found, look)
    told = told_by(state, found.used)
    _name_blocks(state, ruling)
    _judge_blocks(found, told, look)
    reach.narrow(state, found.used, found.open_blocks, said)
    _find_behind(found)
    find_lost_lead(found.ruling, state, look)
    _check_sums(found, told)
    if ruling.is_mended:
        start = ruling.lead * state.layout.block_bytes
        what = "a bit has flipped in the newest statement"
        _damage(state, start + said.address, start + said.stop, what, files=frozenset())
    _take_up(found, told)
    return found


def _read_blocks(found: Survey, look: Look) -> None:
    """Read what may count: the used blocks but those that the ruling statement names as dead."""
    state, ruling, used, layout = found.state, found.ruling, found.used, found.state.layout
    lives, size, open_blocks = ruling.lives, layout.block_bytes, found.open_blocks
    holding, salts = sorted(ruling.used - {*found.said.named}), state.blocks.salt
    closed = [block for block in holding if block not in open_blocks]
    contents: dict[int, Content] = dict(zip(closed, look.contents(state.flash, layout, closed), strict=True))
    for block in open_blocks:
        opened = ruling.scans.get(block) or look.scan(state.flash, layout, block, None)
        contents[block] = Unlisted(None, _open_scan(found.said, block, opened))
    for block in holding:
        content, life = contents[block], lives[block]
        if type(content) is Listing and life is not None and life[1] == content[0][3]:
            seal, entries, others, salts[block] = content
            assert entries is not None
            used[block] = Used(block, block * size, life[1], seal, entries, None, life[3], others)
        else:
            used[block] = _unusual(found, look, block, content)
            salts[block] = salt_of(block, used[block].base)


def _unusual(found: Survey, look: Look, block: int, content: Content) -> Used:
    """A block whose seal lists nothing, or of which its first statement does not say the same."""
    state, life, start = found.state, found.ruling.lives[block], block * found.state.layout.block_bytes
    scan = content.scan if isinstance(content, Unlisted) else None
    if content.seal is None and block not in found.open_blocks:
        scan = found.ruling.scans.get(block) or scan
    base, head = (life[1], life[3]) if life is not None else said_in(scan, content.seal)
    if content.seal is not None and base != content.seal.base:
        return Used(block, start, base, None, [], look.scan(state.flash, state.layout, block, None), head)
    if isinstance(content, Unlisted):
        return Used(block, start, base, content.seal, [], scan, head)
    return Used(block, start, base, content.seal, content.entries or [], None, head, content.others)


def _open_scan(said: Statement, block: int, scan: Scan) -> Scan:
    """An open block as the ruling statement has it, which may void what its head has not skipped yet."""
    end, go = said.other.end, said.other.go
    return replace(scan, skips={go: end} | scan.skips) if block == said.other.block and go != NOWHERE else scan


def _name_blocks(state: StoreState, ruling: Ruling) -> None:
    """Each block's part as the ruling statement has it: unused, named or holding something."""
    blocks, freed = state.blocks, State.FREED
    blocks.unused_count -= len(ruling.used)
    for block in ruling.used:
        blocks.state[block] = freed
    for block in ruling.statement.named:
        if block >= len(blocks):
            raise CorruptStore(f"a statement names block {block}, which is not on the flash")
        blocks.named.append(block)


def _judge_blocks(found: Survey, told: dict[int, Told], look: Look) -> None:
    """How far each block counts, what is damaged in it, and its runs."""
    state, layout = found.state, found.state.layout
    open_blocks = found.open_blocks
    for use in [one for one in found.used.values() if one.scan is not None or one.block in told]:
        about = told.get(use.block)
        if about is not None and not about.left.base and not about.left.end:
            del found.used[use.block]
            state.blocks.retire(use.block)
            continue
        if about is not None:
            if use.scan is None or (not use.base and about.left.end):
                use.base = about.left.base
                use.scan = look.scan(state.flash, layout, use.block, use.base)
            use.seal, use.entries, use.others, use.stop = None, [], (), about.left.end
            use.base = about.left.base
            state.blocks.salt[use.block] = salt_of(use.block, use.base)
            state.blocks.left_end[use.block] = use.stop
            _look_for_missing_end(state, use)
        elif use.seal is None and use.block not in open_blocks:
            known = use.scan is not None and bool(use.scan.statements)
            what = "the seal of a block" if known else "the statement and the seal of a block that holds data"
            _damage(state, use.start, use.start + layout.block_bytes, what + " can't be read")
            if not known:
                del found.used[use.block]
                continue
        if use.scan is not None:
            _read_runs(state, use)
    state.blocks.hold_all({use.block: use.base for use in found.used.values()})


def _look_for_missing_end(state: StoreState, use: Used) -> None:
    """What a block holds that was left without a seal reaches up to where that is said to end, or the page ends."""
    assert use.scan is not None
    layout, scan = state.layout, use.scan
    inner = {said.inner for said in scan.statements}  # they end with their statements
    frames = [frame for frame in scan.frames if frame.address < use.stop and frame.address not in inner]
    ends = [frame.address + layout.pitch(frame.length) for frame in frames]
    ends += [layout.place_of(said).frames for said in scan.statements if said.at < use.stop]
    end = max(ends, default=0)
    if use.stop not in (end, align_up(end, layout.page_bytes)) or scan.raw[end : use.stop].strip(b"\xff"):
        _damage(state, use.start + end, use.start + use.stop, "frames that were written can't be read")


def _read_runs(state: StoreState, use: Used) -> None:
    """The runs of a block that lists none."""
    assert use.scan is not None
    stop = use.seal.end if use.seal is not None else use.stop
    hurt = hurt_in(use.scan, stop, use.seal is not None)
    if hurt is not None:
        before, files = reach.numbers_before(use, hurt), reach.files_in(state.layout, use, hurt)
        _damage(state, use.start + hurt[0], use.start + hurt[1], "frames can't be read", before, files)
    use.table = table_of(state.layout, use.scan, stop)
    use.entries = [run.entry(use.start) for run in use.table.runs]
    use.others = others_of(use.entries)


def _damage(
    state: StoreState, begin: int, end: int, what: str, before: int = NUMBER_MAX, files: frozenset[int] | None = None
) -> None:
    state.damages.append(Finding(begin, end, what, files=files, before=before))


def _find_behind(found: Survey) -> None:
    """The frames that are newer than the ruling statement. Each number since then has one; one that is missing is an
    acknowledged frame that can't be read, since a frame that was cut would be the newest of all."""
    state, said = found.state, found.said
    numbers = {said.number}
    for block in found.open_blocks:
        use = found.used.get(block)
        if use is None or use.scan is None:
            start = block * state.layout.block_bytes
            _damage(state, start, start + state.layout.block_bytes, "an open block can't be read")
            continue
        begin = said.stop if block == found.ruling.lead else 0
        newer = [frame for frame in use.scan.valid() if use.base + frame.order > said.number]
        found.behind[block] = [frame for frame in newer if frame.address >= begin]
        numbers.update(use.base + frame.order for frame in found.behind[block])
        if use.scan.trace_end > use.scan.end:
            state.doubts.append(Doubt(use.start + use.scan.end, "a torn frame, or several"))
    _find_missing(found, sorted(numbers))
    ends = [seal[2] + seal[3] for use in found.used.values() if (seal := use.seal) is not None]
    state.log.sequence = max([max(numbers) + 1, *ends])


def _find_missing(found: Survey, numbers: list[int]) -> None:
    """What is newer than the ruling statement and can't be read, unless that was told where it stands."""
    state, said, lead = found.state, found.said, found.used.get(found.ruling.lead)
    gaps = [(low, high) for low, high in pairwise(numbers) if high > low + 1]
    opened = [use for use in found.used.values() if use.block in found.open_blocks] if gaps else []
    told = [gap for use in opened for gap in reach.missing_in(use)]
    before = max((high for low, high in gaps if not any(a <= low and high <= b for a, b in told)), default=0)
    other = found.used.get(said.other.block)
    if other is not None and other.table is not None and other.base + other.table.next_order - 1 < said.other.last:
        before = max(before, said.other.last + 1)
    late = _is_late(found)
    if lead is not None and (before or late):
        what = (
            "a newer statement was written and can't be read"
            if late and not before
            else "frames that were written can't be read"
        )
        start, end = lead.start + found.scan_of(lead.block).end, lead.start + state.layout.block_bytes
        _damage(state, start, end, what, NUMBER_MAX if late else before)


def _is_late(found: Survey) -> bool:
    """Whether an END is newer than the ruling statement: its own was whole, and can't be read. Where recoveries leave
    such ENDs behind, they show that; where they can't, nothing follows."""
    layout, number = found.state.layout, found.said.number
    ends = [end for scan in found.ruling.scans.values() if (end := newest_end(scan, layout)) is not None]
    return layout.can_kill and max(ends, default=(0, 0))[0] > number


def _check_sums(found: Survey, told: dict[int, Told]) -> None:
    """Each block has to be in the life that the ruling statement knows, none from an older image; but for those that
    have turned out bad since: what recovers goes on with the sums without them."""
    blocks, said = found.state.blocks, found.said
    if found.state.damages or (blocks.base_sum, blocks.place_sum) == (said.base_sum, said.place_sum):
        return
    if any(blocks.is_bad(block) and one.number > said.number for block, one in told.items()):
        said = replace(said, base_sum=blocks.base_sum, place_sum=blocks.place_sum)
        found.ruling = found.ruling._replace(statement=said)
        return
    size, sums = found.state.layout.block_bytes, reach.sums_off(found.state, found.said)
    culprits = [block for block in found.used if sums.blames(block)]
    for block in culprits if len(culprits) == 1 else sorted(found.used):
        what = "a block is older than the log says, or another one"
        _damage(found.state, block * size, (block + 1) * size, what)
    reach.narrow(found.state, found.used, found.open_blocks, found.said)


def _take_up(found: Survey, told: dict[int, Told]) -> None:
    """Give the heads their blocks, and close the others."""
    state, said, layout = found.state, found.said, found.state.layout
    place = layout.place_of(said)
    lead = found.ruling.lead
    start = lead * layout.block_bytes
    state.segments.take_up(said, lead, is_left(found.ruling, layout), start + place.next)
    heads = {said.head: lead} | ({1 - said.head: said.other.block} if said.other.block in found.used else {})
    for which, block in heads.items():
        if block not in found.used:
            continue
        use = found.used[block]
        assert use.table is not None
        assert use.scan is not None
        at = use.start + max(use.scan.end, layout.first)
        at += -at % layout.step
        head = state.log.resume(which, block, at, use.table, layout.programs_before(place))
        if block != lead and said.other.go != NOWHERE and not found.behind[block]:
            head.at, head.void_from, head.page_programs = use.start + said.other.go, use.start + said.other.end, 0
        state.blocks.state[block] = State.OPEN
    for block, one in told.items():
        state.segments.told_at.pop(block, None)
        state.segments.note_told(block, one.address)
    taken = set(heads.values())
    closed = sorted((use for use in found.used.values() if use.block not in taken), key=attrgetter("base"))
    blocks, written_at = [use.block for use in closed], state.blocks.written_at
    for at, block in zip(range(-len(blocks) * layout.block_bytes, 0, layout.block_bytes), blocks, strict=True):
        written_at[block] = at
    state.blocks.find_closed(blocks)
