"""Threads with one table of descriptors: positions shared, offsets of their own, copies of descriptors, vectors."""

import fcntl
import os
import threading

ring = os.open("ring.bin", os.O_RDWR | os.O_CREAT, 0o644)
log = os.open("log.txt", os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644)
shared = os.open("shared.txt", os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o644)


def work(number: int) -> None:
    for turn in range(8):
        os.pwrite(ring, bytes([65 + number]) * 16, (number * 8 + turn) % 24 * 16)
        os.write(log, b"thread %d turn %d\n" % (number, turn))
        os.writev(shared, [b"[", b"%d" % number, b"]"])


threads = [threading.Thread(target=work, args=(number,)) for number in range(3)]
for thread in threads:
    thread.start()
for thread in threads:
    thread.join()
copy = fcntl.fcntl(shared, fcntl.F_DUPFD_CLOEXEC, 10)
os.lseek(copy, 3, os.SEEK_SET)
os.write(shared, b"<here>")
os.readv(copy, [bytearray(4), bytearray(4)])
os.pwritev(ring, [b"0123", b"456789"], 1000)
os.ftruncate(ring, 1005)
fcntl.fcntl(log, fcntl.F_SETFL, 0)
os.lseek(log, 0, os.SEEK_SET)
os.write(log, b"THREAD")
os.unlink("shared.txt")
os.write(copy, b"nobody will see this")
os.dup2(log, copy)
os.write(copy, b" again")
os.close(shared)
if os.fork() == 0:
    os.write(copy, b"+child")
    os._exit(0)
os.wait()
os.write(log, b"+parent")
os.rename("log.txt", "journal.txt")
os.fsync(log)
place = os.open(".", os.O_RDONLY)
late = os.open("late.txt", os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o644, dir_fd=place)
os.write(late, b"by a descriptor of the directory")
os.posix_fallocate(late, 0, 64)
os.close(late)
os.rename("late.txt", "latest.txt", src_dir_fd=place, dst_dir_fd=place)
os.truncate("latest.txt", 48)
