"""What a store's image holds and what is wrong with it, in lines for people. Names are as hostile as the image."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from tabulate import tabulate

from simfs.bridges.images.explained import Explained, FileLeft
from simfs.bridges.images.extract import Extraction
from simfs.bridges.images.source import Image
from simfs.bridges.images.words import NAME_SIGNS, OLDER, doubt_in_words, marked_damage, state_of, verdict_on
from simfs.files import Store
from simfs.show.units import address, counted, plain, size, stretch
from simfs.store.format.dump import dump_block

DAMAGE_SHOWN = 40
WHOLE_NAME = 4 * 255  # signs, each byte escaped
FILES_SHOWN = 8  # of the whole ones; what is hurt is shown in any case
ASK_FOR_MORE = " (--damaged also takes what is left of those that are hurt)"


def built(store: Store, target: str, empty: list[str]) -> str:
    """What an image that was built holds, and how full it is."""
    lines = [f"{plain(target, 200)}: {size(store.flash.geometry.size_bytes)}, {counted(len(store.names()), 'file')}"]
    use = store.usage()
    lines.append(f"{size(use.live_bytes)} of the {size(use.capacity_bytes)} that fit are in use")
    if empty:
        lines.append(f"left out, since a store has no directories: {', '.join(plain(path) for path in empty)}")
    return "\n".join(lines)


def extracted(done: Extraction, directory: str, hint: str = ASK_FOR_MORE, *, marred: bool = False) -> str:
    """What was put where, and what was not; `hint` says how to get at that. `marred` is whether the image is damaged at
    all, which is told where no file shows it."""
    lines = [f"{counted(len(done.written), 'file')} in {plain(directory, 200)}"]
    for name, on_host in done.written:
        lines.append(f"  {on_host}  from {plain(name, WHOLE_NAME)}" + f"; it {OLDER}" * (name in done.maybe))
    if done.refused:
        lines.append(f"{counted(len(done.refused), 'file')} left in the image{hint}:")
        lines += [f"  {plain(name, NAME_SIGNS)}: {plain(why, 200)}" for name, why in done.refused]
    if marred and not (done.refused or done.damaged or done.maybe):
        lines.append("the image is damaged, though none of these files is; `simfs image verify` says where")
    return "\n".join(lines)


def file_list(store: Store) -> str:
    """Every file with its size."""
    table = [(f"{store.stat(name).size_bytes:,}", plain(name, 200)) for name in store.names()]
    return "\n\n".join([*table_of(("bytes", "name"), ("right", "left"), table), _room(store)])


def _room(store: Store) -> str:
    whole = sum(store.stat(name).size_bytes for name in store.names())
    use = store.usage()
    return (
        f"{counted(len(store.names()), 'file')} of {size(whole)}; with their names and headers "
        f"{size(use.live_bytes)} of the {size(use.capacity_bytes)} that fit"
    )


def verdict(found: Explained) -> str:
    """The verdict, then what is damaged or torn, and the files: all of a sound store, else those that are hurt."""
    lines = [verdict_on(found), *(marked_damage(damage) for damage in found.damages), *_torn(found)]
    if found.store is not None and not found.damaged:
        return "\n\n".join(["\n".join(lines), file_list(found.store)])
    lines += [f"hurt: {plain(file.name, NAME_SIGNS)}: {state_of(file)}" for file in found.files if file.hurt]
    return "\n".join(lines)


def as_text(found: Explained) -> str:
    """The whole explanation, without a line end; the verdict stands first."""
    return "\n\n".join(["\n".join(_heading(found)), *_damage(found), *_files(found.files)])


def block_in_words(image: Image, number: int) -> str:
    """All that stands in an erase block, with its addresses."""
    size_bytes = image.settings.block_bytes
    within = number * size_bytes
    begin = image.address + within
    lines = [
        f"block {number}: {stretch(begin, begin + size_bytes)}; places told within a line count from its beginning"
    ]
    for line in dump_block(image.data[within : within + size_bytes], number):
        at, _, what = line.partition(" ")
        lines.append(f"{address(begin + int(at, 16))} {what}")
    return "\n".join(lines)


def _heading(found: Explained) -> list[str]:
    image, made = found.image, found.image.settings
    lines = [
        f"{plain(image.path, 200)}: a store of {made.block_count:,} erase blocks of {made.block_bytes:,} bytes, "
        f"{stretch(image.address, image.address + len(image.data))}",
        verdict_on(found),
    ]
    if found.store is not None:
        views = found.store.blocks()
        states = Counter(view.state for view in views)
        most = counted(max(view.erase_count for view in views), "time")
        lines.append("blocks: " + ", ".join(f"{count:,} {state}" for state, count in sorted(states.items())))
        lines.append(f"wear: each block was erased {most} at most, as far as the store's records can be read")
    for start, end in image.missing:
        where = stretch(image.address + start, image.address + end)
        lines.append(f"missing: {where}: the file has no bytes there; they are taken for blank")
    return [*lines, *_torn(found)]


def _torn(found: Explained) -> list[str]:
    return [doubt_in_words(doubt) for doubt in found.doubts]


def _damage(found: Explained) -> list[str]:
    lines = [marked_damage(damage) for damage in found.damages[:DAMAGE_SHOWN]]
    more = len(found.damages) - DAMAGE_SHOWN
    lines += [f"{counted(more, 'damage')} more"] if more > 0 else []
    return ["\n".join(lines)] if lines else []


def _files(files: tuple[FileLeft, ...]) -> list[str]:
    """What is hurt, and some of what is whole."""
    hurt = [file for file in files if not file.sound]
    whole = [file for file in files if file.sound]
    rows = [
        (plain(file.name, NAME_SIGNS), "" if file.size_bytes is None else f"{file.size_bytes:,}", state_of(file))
        for file in [*hurt, *whole[: max(FILES_SHOWN - len(hurt), 0)]]
    ]
    if len(files) > len(rows):
        rows.append((f"({len(files) - len(rows):,} more)", "", "whole"))
    return table_of(("file", "bytes", "what is left"), ("left", "right", "left"), rows)


def table_of(heads: tuple[str, ...], align: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> list[str]:
    """A table, as a list that is empty without rows."""
    return [tabulate(rows, heads, tablefmt="plain", disable_numparse=True, colalign=align)] if rows else []
