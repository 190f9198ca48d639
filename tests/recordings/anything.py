"""Random file operations of several processes, from a seed: `anything.py SEED`."""

import contextlib
import fcntl
import os
import random
import sys

NAMES = ["a", "b", "c", "sub/d", "sub/é <&> \"'\\.txt", "e\nf"]
FLAGS = [os.O_CREAT, os.O_CREAT | os.O_TRUNC, os.O_CREAT | os.O_APPEND, os.O_CREAT | os.O_EXCL, 0, os.O_TRUNC]


def one(chance: random.Random, held: list[int]) -> None:
    """One operation; many of them fail."""
    kind = chance.randrange(17)
    data = chance.choice([b"plain", bytes(range(256)), b'"\\ \n\0001', b"", b"x" * 700, b") = 5, 6 <unfinished ...>"])
    place, name, other = chance.randrange(0, 900), chance.choice(NAMES), chance.choice(NAMES)
    if kind < 3 or not held:
        way = chance.choice([os.O_RDONLY, os.O_WRONLY, os.O_RDWR]) | chance.choice(FLAGS)
        held.append(os.open(name, way, 0o644))
        return
    number = chance.choice(held)
    if kind < 6:
        os.write(number, data)
    elif kind == 6:
        os.pwritev(number, [data, b"+", data[:9]], place)
    elif kind == 7:
        os.lseek(number, place, chance.choice([os.SEEK_SET, os.SEEK_END]))
    elif kind == 8:
        os.read(number, place)
    elif kind == 9:
        os.ftruncate(number, place)
    elif kind == 10:
        os.rename(name, other)
    elif kind == 11:
        os.unlink(name)
    elif kind == 12:
        held.append(os.dup(number))
    elif kind == 13:
        os.dup2(number, chance.choice(held), inheritable=chance.random() < 0.5)
    elif kind == 14:
        os.close(number)
        held.remove(number)
    elif kind == 15:
        fcntl.fcntl(number, fcntl.F_SETFL, chance.choice([0, os.O_APPEND]))
    else:
        os.truncate(name, place)


def many(chance: random.Random, count: int, held: list[int]) -> None:
    for _ in range(count):
        with contextlib.suppress(OSError):
            one(chance, held)


def main() -> None:
    chance = random.Random(int(sys.argv[1]))
    os.mkdir("sub")
    held: list[int] = []
    many(chance, 60, held)
    for child in range(3):
        if os.fork() == 0:
            many(random.Random(int(sys.argv[1]) * 10 + child), 40, list(held))
            if child == 1:
                os.execv("/bin/sh", ["sh", "-c", "echo from a shell >> c; echo more >> sub/d"])
            os._exit(0)
        if child != 1:
            os.wait()
        many(chance, 20, held)
    os.wait()
    many(chance, 30, held)


main()
