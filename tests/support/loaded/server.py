"""Imports simfs once, and forks for each command that comes through a socket.

A message is one packet: the directory, how many words there are, the words and the environment, with standard input,
output and error as file descriptors. The answer is the exit status, as `subprocess` has it. Where the other end goes
away before, the command is killed. The server ends when its own standard input does.
"""

from __future__ import annotations

import gc
import os
import select
import signal
import socket
import sys
import time
from importlib import import_module
from typing import NoReturn

from tests.house.import_graph import MODULES

MESSAGE_BYTES_MAX = 1 << 18
UNUSUAL = ("simfs.bridges", "simfs.show.sheet", "simfs.show.film", "simfs.show.lessons", "simfs.__main__")


def serve(path: str) -> None:
    """Answer at a socket with this path, which a line on standard output says to be there."""
    for module in MODULES:
        if not module.startswith(UNUSUAL):  # these need packages that may be missing, or that are large
            import_module(module)
    gc.freeze()
    with socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET) as listening:
        listening.bind(path)
        listening.listen(16)
        print("ready", flush=True)
        left: set[int] = set()
        while sys.stdin not in select.select([sys.stdin, listening], [], [])[0]:
            connection, _ = listening.accept()
            pid = os.fork()
            if not pid:
                listening.close()
                _look_after(connection)
            connection.close()
            left = {other for other in left | {pid} if os.waitpid(other, os.WNOHANG) == (0, 0)}
    for pid in left:
        os.waitpid(pid, 0)  # its time counts as that of the tests


def _look_after(connection: socket.socket) -> NoReturn:
    """Start the command, and tell how it ended."""
    message, streams, _, _ = socket.recv_fds(connection, MESSAGE_BYTES_MAX, 3)
    pid = os.fork()
    if not pid:
        connection.close()
        _run(message.split(b"\0"), streams)
    for stream in streams:
        os.close(stream)
    ended = os.pidfd_open(pid)
    if ended not in select.select([ended, connection], [], [])[0]:
        os.kill(pid, signal.SIGKILL)
    status = os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])
    try:
        connection.send(b"%d" % status)
    finally:
        os._exit(0)


def _run(parts: list[bytes], streams: list[int]) -> NoReturn:
    """The command, from here on as if this process had been started for it."""
    for number, stream in enumerate(streams):
        os.dup2(stream, number)
        os.close(stream)
    directory, count = parts[0], int(parts[1])
    os.chdir(directory)
    os.environb.clear()
    os.environb.update(part.split(b"=", 1) for part in parts[2 + count :])  # type: ignore[arg-type]
    time.tzset()
    signal.signal(signal.SIGINT, signal.default_int_handler)
    sys.argv = ["simfs", *map(os.fsdecode, parts[2 : 2 + count])]
    sys.stdin = open(0, closefd=False)  # noqa: SIM115
    sys.stdout = open(1, "w", closefd=False)  # noqa: SIM115
    sys.stderr = open(2, "w", errors="backslashreplace", closefd=False)  # noqa: SIM115

    from simfs.cli import main

    main()
    sys.exit()


if __name__ == "__main__":
    serve(sys.argv[1])
