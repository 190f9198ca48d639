"""`python -m benchmarks [NAME ...] [--small]`: prints each figure, its goal and whether it was reached."""

from __future__ import annotations

import argparse

from benchmarks import append, campaign, memory, mount, scale, startup

BENCHMARKS = {
    "append": append, "scale": scale, "mount": mount, "memory": memory, "startup": startup, "campaign": campaign,
}  # fmt: skip


def main(arguments: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(prog="python -m benchmarks", description=__doc__)
    parser.add_argument("names", nargs="*", metavar="NAME", help=f"one of {', '.join(BENCHMARKS)}; else all")
    parser.add_argument("--small", action="store_true", help="quick, to see that they run: no figures to go by")
    given = parser.parse_args(arguments)
    for name in given.names:
        if name not in BENCHMARKS:
            parser.error(f"no benchmark {name!r}; there are {', '.join(BENCHMARKS)}")
    for name in given.names or BENCHMARKS:
        for figure in BENCHMARKS[name].run(given.small):
            print(figure, flush=True)


if __name__ == "__main__":
    main()
