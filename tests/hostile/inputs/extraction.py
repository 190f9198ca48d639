"""Hostile images as files: names that lead out of a directory, images that lie, dumps, Intel HEX and S-records with
lines that are wrong. Whatever is taken out of them lands in one directory, under harmless names, and nowhere else."""

from __future__ import annotations

from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory

from simfs import NorFlash, Store, StoreConfig
from simfs.bridges.images.explained import explain
from simfs.bridges.images.extract import Extraction, extract
from simfs.bridges.images.source import BadImage, Image, read_image
from simfs.bridges.images.text import as_text, extracted, file_list, verdict
from tests.hostile.inputs.images import damaged, hostile_image
from tests.hostile.inputs.names import hostile_name
from tests.hostile.tally import Tally
from tests.support.host_names import fault_of_a_spelling, meaning

NAMES_PER_STORE = 40
SHEET = {"block_bytes": 4096, "page_bytes": 256}


class Escaped(Exception):
    """Something was done that must not be done."""


def run_extraction(cases: int, seed: int) -> Tally:
    """So many names and containers; a store of hostile names counts for each of its names."""
    tally = Tally()
    number = 0
    with TemporaryDirectory() as scratch:
        while tally.cases < cases:
            random = Random(f"{seed} {number}")
            names = min(NAMES_PER_STORE, cases - tally.cases) if number % 2 == 0 else 0
            outcome, fault = _judge(Path(scratch) / str(number), random, names)
            tally.note(outcome, fault and f"run_extraction: {seed} {number}: {fault}")
            tally.cases += max(names - 1, 0)
            number += 1
    return tally


def _judge(base: Path, random: Random, names: int) -> tuple[str, str | None]:
    """One container, in a directory of its own where nothing but `out` and `left` may change."""
    (base / "beside").mkdir(parents=True)
    (base / "beside" / "kept").write_bytes(b"kept")
    path = base / "image"
    path.write_bytes(_container(_named(random, names) if names else hostile_image(random).image, random, names > 0))
    before = _seen(base)
    try:
        outcome = _take_out(str(path), base, random)
        if _seen(base) != before:
            raise Escaped("something beside the destination has changed")
    except Escaped as error:
        return "escaped", str(error)
    except Exception as error:
        return "exception", repr(error)
    return outcome, None


def _named(random: Random, count: int) -> bytes:
    """A store with hostile names, those that a store takes."""
    store = Store.format(NorFlash(16, **SHEET), StoreConfig(name_bytes=256))
    for number in range(count):
        try:
            with store.open(hostile_name(random), "w") as file:
                file.write(bytes([number]) * random.choice((0, 1, 300)))
                if random.randrange(10) == 0:
                    file.truncate(random.choice((20_000, 70_000, 4_000_000_000)))
        except (OSError, ValueError):
            continue
    return store.flash.image()


def _container(image: bytes, random: Random, sound: bool) -> bytes:
    """The image as a file: its bytes, a dump, or records; now and then with damage."""
    sort = random.randrange(6)
    if sort < 2:
        found = image
    elif sort < 4:
        found = random.randbytes(1024 * random.randrange(4)) + image + bytes(random.randrange(3000))
    else:
        import bincopy

        file = bincopy.BinFile()
        file.add_binary(image, address=random.choice((0, 0x0800_0000, 0x9000_1000)))
        found = (file.as_ihex() if sort == 4 else file.as_srec()).encode()
    if not sound and random.randrange(4) == 0:
        found = damaged(found, random)
    return found[: random.randrange(len(found))] if not sound and random.randrange(10) == 0 else found


def _take_out(path: str, base: Path, random: Random) -> str:
    """Everything that takes from an image."""
    try:
        image = read_image(path, whole=random.randrange(2) == 0)
    except BadImage as error:
        _one_line(str(error))
        return "refused"
    found = explain(image)
    _printable(as_text(found))
    _printable(verdict(found))
    if found.store is None:
        _one_line(found.refusal)
        return "explained"
    _printable(file_list(found.store))
    for target, all_of_it in (("left", True), ("out", False)):
        done = extract(found, base / target, damaged=all_of_it)
        _look(done, base / target, image)
        _printable(extracted(done, target))
        if sorted(name for name, _ in [*done.written, *done.refused]) != [file.name for file in found.files]:
            raise Escaped("a file is neither written nor refused")
    return "damaged" if found.damaged else "taken out"


def _look(done: Extraction, directory: Path, image: Image) -> None:
    """All that stands in the directory is a plain file with a harmless name, and no more than the flash could hold."""
    entries = list(directory.rglob("*"))
    for entry in entries:
        fault = fault_of_a_spelling(entry.name)
        if entry.is_symlink() or not entry.is_file() or entry.parent != directory or fault:
            raise Escaped(f"{entry.name!r} was created: {fault}")
    if sum(entry.stat().st_size for entry in entries) > len(image.data):
        raise Escaped("more bytes were written than the flash has")
    if sorted(entry.name for entry in entries) != sorted(on_host for _, on_host in done.written):
        raise Escaped("what was created is not what is said")
    leading_slash = all(name.startswith("/") for name, _ in [*done.written, *done.refused])
    for name, on_host in done.written:
        plain = on_host.removesuffix("+damaged") if name in done.damaged else on_host
        if "%~" not in plain and meaning(plain, leading_slash=leading_slash) != name:
            raise Escaped(f"{on_host!r} can't be read back as {name!r}")


def _seen(base: Path) -> dict[str, bytes]:
    """All files but those in the destinations."""
    return {
        str(path): path.read_bytes()
        for path in base.rglob("*")
        if path.is_file() and path.relative_to(base).parts[0] not in ("out", "left")
    }


def _one_line(text: str) -> None:
    if not text or "\n" in text:
        raise Escaped(f"an error says {text!r}")


def _printable(text: str) -> None:
    strange = [line for line in text.split("\n") if not line.isprintable()]
    if strange:
        raise Escaped(f"a report holds {strange[0]!r}")
