"""`simfs image` on an image of which a block was lost: no command calls it sound, and all agree on what is whole."""

from __future__ import annotations

import json
from pathlib import Path
from random import Random

import pytest
from click.testing import CliRunner, Result

from simfs import NorFlash, Store
from simfs.cli.image_command import image
from simfs.cli.inputs import described_store
from simfs.files.store import the_log

FILES = {f"/f{number:02}": Random(number).randbytes(700 + 10 * number) for number in range(20)}
FILES["/large"] = Random("large").randbytes(14_000)  # over more than two erase blocks


def run(*arguments: str) -> Result:
    return CliRunner().invoke(image, arguments)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An image that was built of the files."""
    folder = tmp_path_factory.mktemp("built")
    for name, data in FILES.items():
        (folder / name[1:]).write_bytes(data)
    target = tmp_path_factory.mktemp("image") / "unit.img"
    assert run("build", str(folder), str(target), "--size", "96KiB").exit_code == 0
    return target


def blocks_with_data(path: Path) -> tuple[int, list[int]]:
    """The size of a block, and the closed ones that hold anything live."""
    fresh = the_log(described_store(None, None, "96KiB")).flash
    store = Store.mount(NorFlash.from_image(path.read_bytes(), datasheet=fresh.datasheet), read_only=True)
    return fresh.geometry.block_bytes, [
        view.number for view in store.blocks() if view.live_bytes and view.state == "closed"
    ]


def blanked(path: Path, folder: Path) -> list[Path]:
    """Images in each of which one of those blocks is all FFh."""
    size, blocks = blocks_with_data(path)
    assert len(blocks) >= 6
    found = []
    for block in blocks:
        raw = path.read_bytes()
        found.append(folder / f"without-{block}.img")
        found[-1].write_bytes(raw[: block * size] + b"\xff" * size + raw[(block + 1) * size :])
    return found


def test_verify_finds_every_block_that_is_lost(made: Path, tmp_path: Path) -> None:
    assert run("verify", str(made)).exit_code == 0
    for path in blanked(made, tmp_path):
        done = run("verify", str(path))
        assert done.exit_code == 1, path.name
        assert not done.output.splitlines()[-1].startswith("sound"), path.name
        assert json.loads(run("verify", str(path), "--json").stdout)["problems"], path.name


def test_verify_names_a_file_whose_middle_is_lost(made: Path, tmp_path: Path) -> None:
    size, raw = blocks_with_data(made)[0], made.read_bytes()
    middle = raw.index(FILES["/large"][7000:7010]) // size
    path = tmp_path / "middle.img"
    path.write_bytes(raw[: middle * size] + b"\xff" * size + raw[(middle + 1) * size :])
    problems = json.loads(run("verify", str(path), "--json").stdout)["problems"]
    assert any("/large" in problem for problem in problems), problems


def test_verify_names_every_file_that_it_lists_shorter_than_it_was(made: Path, tmp_path: Path) -> None:
    """One that ends where the lost block began may have gone on in it."""
    for path in blanked(made, tmp_path):
        found = json.loads(run("verify", str(path), "--json").stdout)
        listed = [] if found["listing"] is None else found["listing"]["files"]
        shorter = [file["name"] for file in listed if file["size_bytes"] < len(FILES[file["name"]])]
        named = {name for damage in found["damages"] for name in (*damage["names"], *damage["maybe"])}
        unnamed = [name for name in shorter if name not in named]
        assert unnamed == [], path.name


def test_explain_and_extract_agree_with_verify(made: Path, tmp_path: Path) -> None:
    """Nothing is explained as undamaged or extracted as if it were whole that has lost a block."""
    for path in blanked(made, tmp_path):
        assert json.loads(run("explain", str(path), "--json").stdout)["damaged"], path.name
        folder = tmp_path / path.stem
        done = run("extract", str(path), str(folder))
        assert done.exit_code != 0, path.name
        assert any(
            why in done.output
            for why in ("left in the image:", "left in the image (", "may be older", "the image is damaged, though")
        ), path.name


def test_what_is_left_of_a_damaged_image_is_extracted(made: Path, tmp_path: Path) -> None:
    """Every file that lost nothing comes out whole, from whatever block is lost."""
    size = blocks_with_data(made)[0]
    for path in blanked(made, tmp_path):
        block, raw = int(path.stem.partition("-")[2]), made.read_bytes()
        lost = raw[block * size : (block + 1) * size]
        folder = tmp_path / path.stem
        run("extract", "--damaged", str(path), str(folder))
        for name, data in FILES.items():
            if name.encode() in lost or any(data[at : at + 10] in lost for at in range(0, len(data), 10)):
                continue
            assert (folder / name[1:]).read_bytes() == data, f"{name} from {path.name}"
