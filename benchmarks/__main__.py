"""`python -m benchmarks [NAME ...] [--small] [--results]`: prints each figure, its goal and whether it was reached.

Every module of this folder that has a function `run` is a benchmark.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Iterator
from importlib import import_module
from pkgutil import iter_modules
from types import ModuleType

import benchmarks
from benchmarks.measure import Figure
from benchmarks.results import RESULTS, load, results_text


def _found() -> dict[str, ModuleType]:
    names = sorted(module.name for module in iter_modules(benchmarks.__path__) if module.name != "__main__")
    modules = {name: import_module(f"benchmarks.{name}") for name in names}
    return {name: module for name, module in modules.items() if hasattr(module, "run")}


BENCHMARKS = _found()


def main(arguments: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(prog="python -m benchmarks", description=__doc__)
    parser.add_argument("names", nargs="*", metavar="NAME", help=f"one of {', '.join(BENCHMARKS)}; else all")
    parser.add_argument("--small", action="store_true", help="quick, to see that they run: no figures to go by")
    parser.add_argument("--results", action="store_true", help=f"run all and write benchmarks/{RESULTS.name} anew")
    given = parser.parse_args(arguments)
    for name in given.names:
        if name not in BENCHMARKS:
            parser.error(f"no benchmark {name!r}; there are {', '.join(BENCHMARKS)}")
    if given.results and (given.names or given.small):
        parser.error("--results: it is for all benchmarks in full; leave out names and --small")
    load_before = load()
    measured = list(_measured(given.names or BENCHMARKS, given.small))
    if given.results:
        RESULTS.write_text(results_text(measured, load_before, load()))


def _measured(names: Iterable[str], small: bool) -> Iterator[tuple[str, Figure]]:
    for name in names:
        for figure in BENCHMARKS[name].run(small):
            print(figure, flush=True)
            yield name, figure


if __name__ == "__main__":
    main()
