"""What a store's image holds and what is wrong with it, in lines for people. Names are as hostile as the image."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from tabulate import tabulate

from simfs.bridges.images.extract import Extraction
from simfs.bridges.images.files import FileLeft, Files, replay_files
from simfs.bridges.images.salvage import BlockLeft, Left, read_blocks
from simfs.bridges.images.source import BadImage, Image
from simfs.files import Store
from simfs.show.units import counted, plain, size
from simfs.store.format.codec import CLAIMS, Kind
from simfs.store.format.settings import config_of
from simfs.store.log.state import Doubt

DAMAGE_SHOWN = 40
LOST_SHOWN = 3
FILES_SHOWN = 8  # of the whole ones; what is hurt is shown in any case
NAME_SIGNS = 60
ASK_FOR_MORE = " (`simfs image read` gives one alone; --damaged helps with damage)"


@dataclass(frozen=True, slots=True)
class Explained:
    """What is left of a store. `refusal` says why it does not mount, if so."""

    image: Image
    blocks: list[BlockLeft]
    files: Files
    refusal: str

    @property
    def damaged(self) -> bool:
        hurt = any(not damage.harmless for block in self.blocks for damage in block.damage)
        return bool(self.refusal or hurt or self.image.missing or any(file.lost() for file in self.files.named))

    @property
    def untold(self) -> bool:
        """Whether something is damaged of which no one can tell what it was: any file may be older than it was."""
        hurt = any(not damage.harmless and not damage.told for block in self.blocks for damage in block.damage)
        return hurt or bool(self.image.missing)


def explain(image: Image) -> Explained:
    """Read all that is left; the image need not mount. BadImage when not even its settings can be read."""
    blocks = read_blocks(image)
    files = replay_files(blocks, config_of(image.record).fold_case)
    try:
        image.mount()
        refusal = ""
    except BadImage as error:
        refusal = str(error).partition("can't be mounted: ")[2].rpartition("; `simfs")[0]
    return Explained(image, blocks, files, refusal)


def built(store: Store, target: str, empty: list[str]) -> str:
    """What an image that was built holds, and how full it is."""
    lines = [f"{plain(target, 200)}: {size(store.flash.geometry.size_bytes)}, {counted(len(store.names()), 'file')}"]
    use = store.usage()
    lines.append(f"{size(use.live_bytes)} of the {size(use.capacity_bytes)} that fit are in use")
    if empty:
        lines.append(f"left out, since a store has no directories: {', '.join(plain(path) for path in empty)}")
    return "\n".join(lines)


def extracted(done: Extraction, directory: str, hint: str = ASK_FOR_MORE) -> str:
    """What was put where, and what was not; `hint` says how to get at that."""
    lines = [f"{counted(len(done.written), 'file')} in {plain(directory, 200)}"]
    lines += [f"  {on_host}  from {plain(name, NAME_SIGNS)}" for name, on_host in done.written]
    if done.refused:
        lines.append(f"{counted(len(done.refused), 'file')} left in the image{hint}:")
        lines += [f"  {plain(name, NAME_SIGNS)}: {plain(why, 200)}" for name, why in done.refused]
    return "\n".join(lines)


def in_words(doubt: Doubt) -> str:
    """What a mount could not read, in a line; its place is one of the image."""
    what = f"{doubt.what} at {doubt.address:#x}"
    return f"torn: {what}; a power cut leaves this, and so does damage to what was written last"


def file_list(store: Store) -> str:
    """Every file with its size."""
    table = [(f"{store.stat(name).size_bytes:,}", plain(name, 200)) for name in store.names()]
    whole = sum(store.stat(name).size_bytes for name in store.names())
    use = store.usage()
    shown = tabulate(table, ("bytes", "name"), tablefmt="plain", disable_numparse=True, colalign=("right", "left"))
    return (
        f"{shown}\n\n" * bool(table) + f"{counted(len(table), 'file')} of {size(whole)}; with their names and headers "
        f"{size(use.live_bytes)} of the {size(use.capacity_bytes)} that fit"
    )


def as_text(found: Explained) -> str:
    """The whole explanation, without a line end."""
    parts = ["\n".join(_heading(found)), _damage(found), _files(found), "\n".join(_saved(found))]
    return "\n\n".join(part for part in parts if part)


def _heading(found: Explained) -> list[str]:
    image, record = found.image, found.image.record
    states = Counter(block.state for block in found.blocks)
    lines = [
        f"{plain(image.path, 200)}: a store of {record.block_count:,} erase blocks of {record.block_bytes:,} bytes, "
        f"from {image.address:#x} on",
        "It can't be mounted: " + plain(found.refusal, 300) if found.refusal else "It mounts.",
        "blocks: " + ", ".join(f"{count:,} {state}" for state, count in sorted(states.items()))
        + f"; {sum(len(block.frames) for block in found.blocks):,} sound frames count",
    ]  # fmt: skip
    for start, end in image.missing:
        begin, behind = image.address + start, image.address + end
        lines.append(f"The file has no bytes for {begin:#x} to {behind:#x}; they are taken for blank.")
    return lines


def _damage(found: Explained) -> str:
    names = {file.number: file.name for file in (*found.files.named, *found.files.nameless)}
    rows = []
    for block in found.blocks:
        for hurt in block.damage:
            place = f"{found.image.address + hurt.start:#x}"
            rows.append((block.number, place, f"{hurt.end - hurt.start:,}", hurt.what))
        rows += [(block.number, "", "", f"lost: {_lost_frame(frame, names)}") for frame in block.lost]
    if not rows:
        return "" if found.damaged else "Every frame is sound."
    shown = tabulate(
        rows[:DAMAGE_SHOWN], ("block", "address", "bytes", "what stands there"), tablefmt="plain",
        disable_numparse=True, colalign=("right", "right", "right", "left"),
    )  # fmt: skip
    more = len(rows) - DAMAGE_SHOWN
    return shown + (f"\n{counted(more, 'line')} more" if more > 0 else "")


def _lost_frame(frame: Left, names: dict[int, str | None]) -> str:
    name = names.get(frame.file)
    whose = plain(name, NAME_SIGNS) if name is not None else f"file number {frame.file}, whose name is not known"
    if frame.kind in CLAIMS:
        return f"what a {Kind(frame.kind).name} frame said of {whose}"
    if not frame.length:
        return f"zeros up to byte {frame.offset:,} of {whose}"
    zeros = "zeros, and " * (frame.kind == Kind.HOLE)
    return f"{zeros}bytes {frame.offset:,} to {frame.offset + frame.length:,} of {whose}"


def _files(found: Explained) -> str:
    hurt = sorted(found.files.named, key=lambda file: not file.lost())
    table = [
        (plain(file.name or "", NAME_SIGNS), f"{file.size_bytes:,}", _state(file))
        for at, file in enumerate(hurt)
        if at < FILES_SHOWN or file.lost()
    ]
    if len(hurt) > len(table):
        table.append((f"({len(hurt) - len(table):,} more)", "", "whole"))
    table += [
        (f"(no name, number {file.number})", f"{file.size_bytes:,}", f"{_state(file)}; it may be a removed one")
        for file in found.files.nameless
        if found.damaged
    ]
    return tabulate(
        table, ("file", "bytes", "what is left"), tablefmt="plain", disable_numparse=True,
        colalign=("left", "right", "left"),
    ) if table else "No file is left."  # fmt: skip


def _state(file: FileLeft) -> str:
    lost = file.lost()
    if not lost:
        return "whole"
    shown = ", ".join(f"{start:,} to {end:,}" for start, end in lost[:LOST_SHOWN])
    more = f" and {counted(len(lost) - LOST_SHOWN, 'more stretch', 'more stretches')}" * (len(lost) > LOST_SHOWN)
    return f"{sum(end - start for start, end in lost):,} bytes are lost: {shown}{more}"


def _saved(found: Explained) -> list[str]:
    named = found.files.named
    whole = sum(not file.lost() for file in named)
    lines = [f"{counted(len(named), 'file')}: {whole:,} whole, {len(named) - whole:,} with bytes lost."]
    if found.files.claims_lost:
        lines.append(
            f"{counted(found.files.claims_lost, 'frame is', 'frames are')} lost that named, renamed or removed a file: "
            "one above may be gone, replaced, or bear another name."
        )
    if found.untold:
        lines.append("Nothing says what stood in some of the damage: any file may be older than it was.")
    return lines
