"""Records the programs beside this file anew: `python3 tests/recordings/record.py [NAME ...]`.

Needs Linux, strace and a shell. Each NAME is a program here, NAME.sh or NAME.py. It runs in an empty directory, which
the recording shows as /data. What it leaves there is kept in NAME/files, the recording in NAME/recording.txt. To keep
recordings small, lines about other places (the loader, libraries, the interpreter's own modules) and about locks are
left out; lines about processes and descriptors stay.
"""

import os
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).parent
# The programs' names, with the way in which strace shall write strings. copy_file_range is made to fail, as file
# systems without it let it fail: programs then copy with read and write, which a recording can carry.
PROGRAMS = {
    "shell_tools.sh": "-x",
    "forks.sh": "-xx",
    "rotating_logs.py": "-x",
    "database.py": "-x",
    "threads.py": "-x",
}
STRACE = ("strace", "-f", "-y", "-ttt", "-s", "1048576", "--inject=copy_file_range:error=ENOSYS")
LASTING = re.compile(
    r"(?:\d+ +)?[\d.]+ +(?:<\.\.\. )?(?:\+\+\+|"
    r"(?:clone3?|v?fork|execve|chdir|fchdir|getcwd|dup[23]?|close_range|exit_group)\b)"
)


def record(program: str, strings: str) -> None:
    target = HERE / program.partition(".")[0]
    with tempfile.TemporaryDirectory(prefix="recorded-") as place:
        data = Path(place, "data")
        data.mkdir()
        shown = Path(place, "shown")
        runner = "/bin/sh" if program.endswith(".sh") else os.path.realpath(sys.executable)
        programs = Path(place, "programs")
        programs.mkdir()
        script = shutil.copy(HERE / program, programs)
        subprocess.run(
            [*STRACE, strings, "-o", str(shown), runner, *(["-SE"] if runner != "/bin/sh" else []), script],
            cwd=data, env={"PATH": "/usr/bin:/bin", "LC_ALL": "C"}, check=True,
            stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        shutil.rmtree(target, ignore_errors=True)
        shutil.copytree(data, target / "files")
        text = shown.read_text("latin-1")
        (target / "recording.txt").write_text(tidy(text, place, os.path.dirname(runner)), "latin-1")


def tidy(text: str, place: str, runner: str) -> str:
    """Machine paths made neutral, and lines about other places left out."""
    for machine, neutral in (
        (f"{place}/data", "/data"),
        (f"{place}/programs", "/programs"),
        (place, "/"),
        (runner, "/usr/bin"),
    ):
        text = text.replace(machine, neutral).replace(in_hex(machine), in_hex(neutral))
    numbers = {number: str(100 + at) for at, number in enumerate(dict.fromkeys(re.findall(r"^\d+", text, re.M)))}
    lines, left_out = [], set()
    for line in text.splitlines(keepends=True):
        pid = line.split()[0]
        if "resumed>" in line:
            keep = pid not in left_out
            left_out.discard(pid)
        else:
            keep = mentions_data(line) or bool(LASTING.match(line)) or relative(line)
            if not keep and "<unfinished" in line:
                left_out.add(pid)
        if keep:
            lines.append(renumbered(line, numbers))
    return "".join(lines)


def mentions_data(line: str) -> bool:
    """Other than as the working directory that an absolute path does not need, or in a lock."""
    if "F_SETLK" in line or "F_GETLK" in line:  # locks leave no trace in a file
        return False
    line = re.sub(r"AT_FDCWD<[^>]*>, \"(?=/|\\\\x2f)", "", line)
    return "/data" in line or in_hex("/data") in line


def relative(line: str) -> bool:
    """A call that names a file from the working directory: its line need not show the directory."""
    return bool(re.search(r"\b(?:rename|unlink|truncate|mkdir|rmdir|link|symlink|open)\(\"(?!/|\\x2f)", line))


def renumbered(line: str, numbers: dict[str, str]) -> str:
    """Small pids."""
    line = re.sub(r"^\d+", lambda match: numbers[match[0]], line)
    return re.sub(r"((?:clone3?|v?fork)(?:\(.*| resumed>.*)= )(\d+)$", lambda m: m[1] + numbers.get(m[2], m[2]), line)


def in_hex(text: str) -> str:
    return "".join(f"\\x{byte:02x}" for byte in text.encode())


if __name__ == "__main__":
    for name, way in PROGRAMS.items():
        if not sys.argv[1:] or name.partition(".")[0] in sys.argv[1:]:
            record(name, way)
            print(f"{name}: {(HERE / name.partition('.')[0] / 'recording.txt').stat().st_size} bytes")
