"""Copies inside the kernel, requests through a queue and second names, in the directory that the argument names. Some
bytes come from outside it, so that their files can't be replayed."""

import ctypes
import errno
import mmap
import os
import platform
import sys

QUEUE_CALLS = {"x86_64": (206, 209, 208), "aarch64": (0, 2, 4)}  # io_setup, io_submit, io_getevents


class Request(ctypes.Structure):
    """A request of io_submit, as the kernel's header linux/aio_abi.h has it."""

    _fields_ = [
        ("data", ctypes.c_uint64), ("key", ctypes.c_uint32), ("rw", ctypes.c_int32), ("operation", ctypes.c_uint16),
        ("priority", ctypes.c_int16), ("file", ctypes.c_uint32), ("buffer", ctypes.c_uint64),
        ("size", ctypes.c_uint64), ("offset", ctypes.c_int64), ("reserved", ctypes.c_uint64),
        ("flags", ctypes.c_uint32), ("event", ctypes.c_uint32),
    ]  # fmt: skip


def through_a_queue(file: int) -> None:
    """Write and flush with io_submit, where the system lets a program do so."""
    setup, submit, events = QUEUE_CALLS.get(platform.machine(), (-1, -1, -1))
    system, queue = ctypes.CDLL(None, use_errno=True), ctypes.c_ulong(0)
    if system.syscall(setup, 8, ctypes.byref(queue)):
        return
    text = ctypes.create_string_buffer(b"queued\n\0\xff", 9)
    requests = [
        Request(operation=1, file=file, buffer=ctypes.addressof(text), size=9, offset=2),
        Request(operation=2, file=file),
    ]
    pointers = (ctypes.c_void_p * 2)(*map(ctypes.addressof, requests))
    assert system.syscall(submit, queue, 2, pointers) == 2
    system.syscall(events, queue, 2, 2, ctypes.create_string_buffer(64), None)


def copies(source: int) -> None:
    target = os.open("copies", os.O_RDWR | os.O_CREAT | os.O_TRUNC)
    try:
        os.copy_file_range(source, target, 10)
        os.copy_file_range(source, target, 5, 0, 15)
    except OSError as error:
        if error.errno not in (errno.ENOSYS, errno.EOPNOTSUPP, errno.EINVAL):
            raise
    os.sendfile(target, source, 3, 4)
    left, right = os.pipe()
    os.splice(source, right, 6, offset_src=1)
    os.splice(left, target, 6)


def names() -> None:
    for name in ("moved", "kept", "both", "shared"):
        with open(name, "w") as file:
            file.write(f"this is {name}\n")
    os.link("moved", "moved.to")
    os.unlink("moved")
    os.link("kept", "kept.old")
    with open("kept.new", "w") as file:
        file.write("newer\n")
    os.rename("kept.new", "kept")
    os.link("both", "both.second")
    os.symlink("both", "both.symbolic")
    os.link("shared", "../shared")
    with open("../shared", "a") as file:
        file.write("and through a name outside\n")


def not_in_a_recording() -> None:
    with open("../outside", "wb") as file:
        file.write(b"not seen" * 100)
    with open("../outside", "rb") as source, open("sent", "wb") as target:
        os.sendfile(target.fileno(), source.fileno(), 0, 100)
    os.rename("sent", "sent.renamed")
    os.rename("../outside", "from.outside")
    with open("mapped", "w+b") as file:
        file.write(b"before\n")
        file.flush()
        with mmap.mmap(file.fileno(), 7) as memory:
            memory[:5] = b"after"
    with open("there.before", "a") as file:
        file.write("one more line\n")


def main() -> None:
    os.chdir(sys.argv[1])
    source = os.open("source", os.O_RDWR | os.O_CREAT | os.O_TRUNC)
    os.write(source, b"some bytes to be copied\n")
    os.lseek(source, 0, os.SEEK_SET)
    copies(source)
    through_a_queue(source)
    names()
    not_in_a_recording()


main()
