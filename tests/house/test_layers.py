"""Folders are layers: how large they are, what they say of themselves, and that imports run one way.

Imports count wherever they stand: in functions, for the type checker alone, and as the name of a module in a string.
"""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from collections import Counter

import pytest

from tests.house.import_graph import ALL_MODULES, MODULES, circles, imports, modules, nodes, tree
from tests.support.places import ROOT, SCENARIOS

pytestmark = pytest.mark.together  # with all that reads the sources

ROOMS = "shown < flash < sfdp < store, fat < files < replay < study < show < bridges < cli"
"""Each may import those before it. "<" parts heights; names between commas are as high and do not know each other."""

LAYERS = {
    "simfs": f"{ROOMS} < __main__",
    "simfs.flash": (
        "geometry, late, rng < misuse, datasheet < counts, parts, faults, wear < trace < nor, interrupted "
        "< fault_data, weak < rot < plan"
    ),
    "simfs.store": (
        "format < tables < log < mounting, cleaning < recovery < file_bytes < volume "
        "< usage, check, damage, attribution, pages < batch"
    ),
    "simfs.fat": "card < format < driver < checking",
    "simfs.files": (
        "modes, names < contract < card_medium, card_names, flash_medium, log_settings, memory_medium, opened "
        "< handle, model_file < heard < card_store, model < store < both < images"
    ),
    "simfs.replay": "device < scenario < recorded, starters < player < batch < script < play",
    "simfs.replay.scenario": (
        "near_words, toml_lines, patterns < quantities, own_words, overrides < fields, input_faults, changed_part "
        "< expectations, tasks < regions, media, supply < tables < crosschecks, remarks < chip_map < load"
    ),
    "simfs.replay.recorded": "faults, source, open_file, differing < skipped < rounds, files < store < strace, console",
    "simfs.study": (
        "pools, card_cuts < run, wearers < cuts, both_cuts < any_cuts < life < fleet < sweep, compare, moving "
        "< flash_map, advice, film"
    ),
    "simfs.study.cuts": "notes < judging < firmware, lives < case_text, campaign < report, shrink < lives_report",
    "simfs.study.moving": ("findings, names, pieces, moved < watch, tries < refusals, trials < scenarios, recordings"),
    "simfs.show": (
        "units, save, scenario_guide < ending < on_both < verdict, heat, cuts, card_cuts, fleet, life, parts, map, "
        "moving, wearers, scenario_keys, lessons, advice, film < json, rows < text, lives < sweep, compare, notebook "
        "< sheet"
    ),
    "simfs.cli": (
        "exits, progress < inputs, outputs, options < cutting, imaging, sheets < changing, comparing, cuts_command, "
        "fleet_command, image_command, life_command, map_command, new_command, parts_command, reference_commands, "
        "run_command, sweep_command, teaching < mount_command"
    ),
    "simfs.bridges": (
        "images < cards < mount < testing < cluster, descriptors, recorder < folders < os_functions "
        "< patched, fsspec_store"
    ),
}
"""The order in each folder that has folders. What it holds itself is placed there too."""

PUBLIC = "simfs"  # gathers the public names: for the rooms above `files`
LAZY = {"simfs", "simfs.flash"}  # whose names are imported when they are asked for
MODULES_MAX = 16  # of a folder, `__init__` and `__main__` not counted

EXCEPTIONS: dict[tuple[str, str], str] = {}
"""Imports that break a rule, and until when."""


def heights(order: str) -> dict[str, int]:
    return {name: height for height, names in enumerate(order.split(" < ")) for name in names.split(", ")}


def allowed_imports(module: str) -> set[str]:
    """What a module imports, the exceptions left out."""
    return {name for name in imports(module) if (module, name) not in EXCEPTIONS}


def below(module: str, folder: str) -> str:
    """The name in a folder that a module stands under; empty outside and for the folder itself."""
    return module.removeprefix(folder + ".").partition(".")[0] if module.startswith(folder + ".") else ""


@pytest.mark.parametrize("folder", LAYERS)
def test_imports_run_one_way(folder: str) -> None:
    height = heights(LAYERS[folder])
    for module in MODULES:
        here = below(module, folder)
        there = {name: below(name, folder) for name in allowed_imports(module)}
        wrong = [name for name, at in there.items() if here and at not in ("", here) and height[at] >= height[here]]
        assert not wrong, f"{module} imports {wrong}, which stands no lower in {folder}"


@pytest.mark.parametrize("folder", LAYERS)
def test_everything_in_a_folder_of_folders_is_placed(folder: str) -> None:
    placed = LAYERS[folder].replace(" < ", ", ").split(", ")
    assert sorted(placed) == sorted({below(module, folder) for module in MODULES} - {""})


def test_a_folder_of_folders_has_an_order() -> None:
    folders = {name for name, path in MODULES.items() if path.name == "__init__.py"}
    assert {name.rpartition(".")[0] for name in folders} - {""} == set(LAYERS)


def test_no_room_below_replay_uses_the_public_names() -> None:
    low = [module for module in MODULES if below(module, PUBLIC) in ("flash", "sfdp", "store", "files")]
    assert len(low) > 30
    assert [module for module in low if PUBLIC in imports(module)] == []


def test_nothing_is_imported_in_a_circle() -> None:
    assert circles({module: allowed_imports(module) for module in ALL_MODULES}) == []


def test_the_package_needs_neither_its_tests_nor_its_benchmarks() -> None:
    outside = ALL_MODULES.keys() - MODULES.keys()
    assert [module for module in MODULES if imports(module) & outside] == []


def test_every_exception_is_still_one() -> None:
    gone = [pair for pair in EXCEPTIONS if pair[0] not in MODULES or pair[1] not in imports(pair[0])]
    assert not gone, f"{gone} are gone: take them out of EXCEPTIONS"


def test_no_module_is_imported_by_a_name_that_is_made_up() -> None:
    """An order that is read from the sources can't see those."""
    excepted = {module for module, _ in EXCEPTIONS}
    makers = {
        module
        for module in MODULES
        for node in nodes(module, ast.Name, ast.Attribute)
        if (node.id if isinstance(node, ast.Name) else node.attr) in ("import_module", "__import__")
    }
    assert makers - excepted == LAZY


@pytest.mark.parametrize("top", ["simfs", "tests", "benchmarks"])
def test_no_folder_is_a_long_list(top: str) -> None:
    paths = [path for path in modules(top).values() if path.stem not in ("__init__", "__main__")]
    sizes = Counter(path.parent.relative_to(ROOT).as_posix() for path in paths)
    assert {folder: size for folder, size in sizes.items() if size > MODULES_MAX} == {}


@pytest.mark.parametrize("folder", [name for name, path in MODULES.items() if path.name == "__init__.py"])
def test_each_folder_says_what_it_does_and_what_it_must_not_know(folder: str) -> None:
    first = (ast.get_docstring(tree(folder)) or "").partition("\n\n")[0].replace("\n", " ")
    if folder == PUBLIC:
        assert first
    else:
        assert re.fullmatch(r"[^.]+\. It must not know [^.]+\.", first), f"{folder} says: {first!r}"


@pytest.mark.parametrize("folder", [name for name, path in modules("tests").items() if path.name == "__init__.py"])
def test_each_folder_of_tests_says_what_it_tests(folder: str) -> None:
    assert ast.get_docstring(tree(folder))


def test_a_run_of_a_scenario_loads_nothing_of_recordings() -> None:
    scenario = SCENARIOS / "tide_gauge.toml"
    code = (
        "import sys; from simfs.cli import commands; "
        f"commands.main(['run', {str(scenario)!r}, '--json'], standalone_mode=False); "
        "print(*sys.modules, file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    loaded = done.stderr.split()
    assert "simfs.replay.play" in loaded
    assert [name for name in loaded if name.startswith("simfs.replay.recorded")] == []
