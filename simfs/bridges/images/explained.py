"""What is left in an image, from one read-only mount of it: every command says what stands here, so that they agree.
Places are addresses of the image's file; the end of a range is the first byte behind it."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from functools import cached_property

from simfs.bridges.images.source import Image
from simfs.files import Store
from simfs.store.damage import unreadable
from simfs.store.log.state import Damage, Doubt

Stretch = tuple[int, int]
Progress = Callable[[int, int], None]

STEPS = 3  # of reading an image, each about as long as the others: mount, read all files, check


@dataclass(frozen=True, slots=True)
class FileLeft:
    """A file of the store, or one that damage has taken away (`size_bytes` is None).

    hurt   bytes of it can't be read: those in `lost`; or all of it is gone
    maybe  it may be older or shorter than it was, or one that was removed
    """

    name: str
    size_bytes: int | None
    lost: tuple[Stretch, ...] = ()
    hurt: bool = False
    maybe: bool = False

    @property
    def sound(self) -> bool:
        return not self.hurt and not self.maybe


@dataclass(frozen=True)
class Explained:
    """What a mount gives. Where there is none, `refusal` says why, and so does a damage of the whole store."""

    image: Image
    store: Store | None
    refusal: str
    damages: tuple[Damage, ...]
    doubts: tuple[Doubt, ...]

    @property
    def damaged(self) -> bool:
        return bool(self.damages)

    @cached_property
    def files(self) -> tuple[FileLeft, ...]:
        """By name. Reads the files that are hurt."""
        store = self.store
        if store is None:
            return ()
        hurt = {name for damage in self.damages for name in damage.names}
        maybe = {name for damage in self.damages for name in damage.maybe}
        there = set(store.names())
        return tuple(
            FileLeft(
                name,
                store.stat(name).size_bytes,
                _lost(store, name) if name in hurt else (),
                name in hurt,
                name in maybe,
            )
            if name in there
            else FileLeft(name, None, hurt=name in hurt, maybe=name in maybe)
            for name in sorted(there | hurt | maybe)
        )

    def hurt_or_doubtful(self, name: str) -> FileLeft | None:
        """The file that the store takes this name for, if it is not surely what it was. ValueError and OSError as
        `Store.open`."""
        if self.store is None:
            return None
        rule = self.store.name_rules.cutting()
        key = rule.key(rule.encode(name))
        return next((file for file in self.files if not file.sound and rule.key(rule.encode(file.name)) == key), None)


def explain(image: Image, progress: Progress | None = None) -> Explained:
    """Mount an image, read-only, and read every byte of it. `progress` is called with the steps done, and all."""
    tell = progress or (lambda done, whole: None)
    tell(0, STEPS)
    try:
        store = image.mount()
    except OSError as error:
        why = error.strerror or "it can't be mounted"
        return Explained(image, None, why, (Damage(image.address, image.address + len(image.data), why),), ())
    tell(1, STEPS)
    damages = (*_joined(store.damages), *_missing(image, store))
    tell(2, STEPS)
    damages = tuple(
        replace(damage, begin=damage.begin + image.address, end=damage.end + image.address) for damage in damages
    )
    if not damages:  # what no damage explains is a fault of the store, or of a file that was made to be one
        end = image.address + len(image.data)
        damages = tuple(Damage(image.address, end, problem) for problem in store.check())
    tell(STEPS, STEPS)
    doubts = tuple(replace(doubt, address=doubt.address + image.address) for doubt in store.doubts)
    return Explained(image, store, "", damages, doubts)


def _joined(damages: Iterable[Damage]) -> list[Damage]:
    """Damages of the same kind that touch each other are one: a dump that is cut off lacks block after block. A frame
    that a file lacks stands by itself."""
    joined: list[Damage] = []
    for damage in damages:
        before = joined[-1] if joined else None
        if before and not damage.names and damage == replace(before, begin=before.end, end=damage.end):
            joined[-1] = replace(before, end=damage.end)
        else:
            joined.append(damage)
    return joined


def _lost(store: Store, name: str) -> tuple[Stretch, ...]:
    node = store.volume.lookup(store.name_rules.cutting().encode(name))
    return () if node is None else unreadable(store.volume, node)


def _missing(image: Image, store: Store) -> list[Damage]:
    """Bytes that the file does not have: they are blank here, and nobody knows whether they were."""
    names = tuple(store.names())
    return [Damage(begin, end, "the file ends there, or begins behind it", (), names) for begin, end in image.missing]


def contents_left(store: Store, file: FileLeft) -> bytes:
    """All bytes of a file, zeros where they are lost."""
    whole = bytearray(file.size_bytes or 0)
    at = 0
    with store.open(file.name) as source:
        for begin, end in (*file.lost, (len(whole), len(whole))):
            source.seek(at)
            whole[at:begin] = source.read(begin - at) or b""
            at = end
    return bytes(whole)
