"""The 4-byte address instruction table, FF84h: which commands take four address bytes in every mode.

The opcodes are from memory. Unused bits may be 0 or 1, and a part of four lines may have those of eight lines set.
"""

from __future__ import annotations

from simfs.sfdp.fields import Dword, Field
from simfs.sfdp.words import code, flag

FOUR_BYTE_ID = 0xFF84

READS = {0: ("read", 0x13), 1: ("fast read", 0x0C), 2: ("1-1-2 read", 0x3C), 3: ("1-2-2 read", 0xBC),
         4: ("1-1-4 read", 0x6C), 5: ("1-4-4 read", 0xEC)}  # fmt: skip
PROGRAMS = {6: ("page program", 0x12), 7: ("1-1-4 page program", 0x34), 8: ("1-4-4 page program", 0x3E)}
_MORE = {
    13: ("read at both edges", 0x0E), 14: ("1-2-2 read at both edges", 0xBE), 15: ("1-4-4 read at both edges", 0xEE),
    16: ("read volatile sector lock", 0xE0), 17: ("write volatile sector lock", 0xE1),
    18: ("read lasting sector lock", 0xE2), 19: ("write lasting sector lock", 0xE3),
    20: ("1-1-8 read", 0x7C), 21: ("1-8-8 read", 0xCC), 22: ("1-8-8 read at both edges", 0xFD),
    23: ("1-1-8 page program", 0x84), 24: ("1-8-8 page program", 0x8E),
}  # fmt: skip
EIGHT_LINES = range(20, 25)  # the commands that need them


def _command(bit: int, title: str, opcode: int) -> Field:
    return Field(f"command_{bit}", bit, bit, title, flag(code(opcode), "no"))


def _erase_opcode(number: int) -> Field:
    low = 8 * number - 8
    words = lambda opcode: "none" if opcode == 0xFF else code(opcode)  # noqa: E731
    return Field(f"erase_{number}_opcode", low + 7, low, f"erase type {number}: opcode", words)


FOUR_BYTE = (
    Dword(
        *[_command(bit, title, opcode) for bit, (title, opcode) in (READS | PROGRAMS | _MORE).items()],
        *[Field(f"erase_{at}", 8 + at, 8 + at, f"erase type {at}", flag("yes", "no")) for at in (1, 2, 3, 4)],
    ),
    Dword(*map(_erase_opcode, (1, 2, 3, 4))),
)
"""The layout of its two DWORDs."""
