"""The basic flash parameter table, FF00h, DWORD by DWORD, of revisions A to F.

DWORDs 1 to 9 are those of the first revision and have never changed; 10 to 16 came with A, 17 to 20 with C, 21 to 23
with F. What 21 to 23 say was not found, so they are printed as they are. From memory: the command that bit 4 of DWORD 1
names.
"""

from __future__ import annotations

from simfs.sfdp.basic_modes import MODE_DWORDS
from simfs.sfdp.fields import Dword, Field
from simfs.sfdp.words import code, counted, each_of, flag, one_of, opcode, size, times_typical

BASIC_ID = 0xFF00

ERASE_UNITS_NS = (10**6, 16 * 10**6, 128 * 10**6, 10**9)
CHIP_UNITS_NS = (16 * 10**6, 256 * 10**6, 4 * 10**9, 64 * 10**9)
PAGE_UNITS_NS = (8_000, 64_000)
BYTE_UNITS_NS = (1_000, 8_000)
LATENCY_UNITS_NS = (128, 1_000, 8_000, 64_000)
INTERVAL_UNITS_NS = (64_000,)
POWER_MAX = 63  # of a size in bits; beyond, no address reaches it
ERASE_TYPES = 4
ERASE_POWER_MAX = 40  # 1 TiB: what is more is no erase block

_yes = flag("yes", "no")


def size_bytes_of(density: int) -> int | None:
    """The size that DWORD 2 gives; None where that is no whole number of bytes, or beyond any address."""
    if density >> 31:
        power = density & 0x7FFFFFFF
        return 1 << power - 3 if 3 <= power <= POWER_MAX else None
    whole, odd_bits = divmod(density + 1, 8)
    return None if odd_bits else whole


def _size_words(density: int) -> str:
    size_bytes = size_bytes_of(density)
    return "no size that a part can have" if size_bytes is None else size(size_bytes)


def _power_size(power: int) -> str:
    if power > ERASE_POWER_MAX:
        return f"2^{power} bytes"
    return size(1 << power) if power else "absent"


def _multiplier(number: int) -> str:
    return f"the longest time is {times_typical(number)} times the typical"


def _read(lines: str, low: int) -> tuple[Field, Field, Field]:
    """How a fast read is done, in one half of a DWORD."""
    key = f"read_{lines.replace('-', '_')}"
    return (
        Field(f"{key}_waits", low + 4, low, f"{lines} read: wait clocks"),
        Field(f"{key}_modes", low + 7, low + 5, f"{lines} read: mode clocks"),
        Field(f"{key}_opcode", low + 15, low + 8, f"{lines} read: opcode", opcode),
    )


def _erase_type(number: int, low: int) -> tuple[Field, Field]:
    return (
        Field(f"erase_{number}_power", low + 7, low, f"erase type {number}: size", _power_size),
        Field(f"erase_{number}_opcode", low + 15, low + 8, f"erase type {number}: opcode", opcode),
    )


def _erase_times() -> list[Field]:
    words = counted(5, ERASE_UNITS_NS)
    lows = enumerate((4, 11, 18, 25), 1)
    return [Field(f"erase_{at}_time", low + 6, low, f"erase type {at}: typical time", words) for at, low in lows]


READS = {  # the lines of opcode, address and data: where the table says that there is such a read
    "1-1-2": "read_1_1_2",
    "1-2-2": "read_1_2_2",
    "1-4-4": "read_1_4_4",
    "1-1-4": "read_1_1_4",
    "2-2-2": "read_2_2_2",
    "4-4-4": "read_4_4_4",
}

_SIZE_AND_READS = (
    Dword(
        Field("erase_4k", 1, 0, "4 KiB erase", one_of({1: "everywhere", 3: "not everywhere"})),
        Field("program_buffer", 2, 2, "program buffer", flag("64 bytes or more", "single bytes")),
        Field("protect_volatile", 3, 3, "block-protect bits are volatile", _yes),
        Field("protect_enable", 4, 4, "write enable for the volatile status", lambda bit: code(0x06 if bit else 0x50)),
        Field("erase_4k_opcode", 15, 8, "4 KiB erase: opcode", opcode),
        Field("read_1_1_2", 16, 16, "1-1-2 read", _yes),
        Field("address_bytes", 18, 17, "address bytes", one_of({0: "3", 1: "3 or 4", 2: "4"})),
        Field("dtr", 19, 19, "clocking at both edges", _yes),
        Field("read_1_2_2", 20, 20, "1-2-2 read", _yes),
        Field("read_1_4_4", 21, 21, "1-4-4 read", _yes),
        Field("read_1_1_4", 22, 22, "1-1-4 read", _yes),
    ),
    Dword(Field("density", 31, 0, "size", _size_words)),
    Dword(*_read("1-4-4", 0), *_read("1-1-4", 16)),
    Dword(*_read("1-1-2", 0), *_read("1-2-2", 16)),
    Dword(Field("read_2_2_2", 0, 0, "2-2-2 read", _yes), Field("read_4_4_4", 4, 4, "4-4-4 read", _yes)),
    Dword(*_read("2-2-2", 16)),
    Dword(*_read("4-4-4", 16)),
)

_TIMES = (
    Dword(*_erase_type(1, 0), *_erase_type(2, 16)),
    Dword(*_erase_type(3, 0), *_erase_type(4, 16)),
    Dword(Field("erase_multiplier", 3, 0, "erase: longest time", _multiplier), *_erase_times()),
    Dword(
        Field("program_multiplier", 3, 0, "program: longest time", _multiplier),
        Field("page_power", 7, 4, "page", lambda power: size(1 << power)),
        Field("page_time", 13, 8, "page program: typical time", counted(5, PAGE_UNITS_NS)),
        Field("first_byte_time", 18, 14, "first byte: typical time", counted(4, BYTE_UNITS_NS)),
        Field("next_byte_time", 23, 19, "further byte, to half a page: typical", counted(4, BYTE_UNITS_NS)),
        Field("chip_time", 30, 24, "chip erase: typical time", counted(5, CHIP_UNITS_NS)),
    ),
)


def _suspended(what: str, key: str, low: int) -> Field:
    """What is not allowed while an erase or a program is suspended."""

    def words(bits: int) -> str:
        told = (
            f"no erase {'in the suspended ' + what if bits & 1 else 'anywhere'}",
            f"no program {'in the suspended ' + what if bits & 2 else 'anywhere'}",
            "no read there" if bits & 4 else "reads there: see the datasheet",
            "nothing else to heed" if bits & 8 else "more limits: see the datasheet",
        )
        return "; ".join(told)

    return Field(key, low + 3, low, f"while the {what} is suspended", words)


_SUSPEND_AND_POWER = (
    Dword(
        _suspended("page", "in_program_suspend", 0),
        _suspended("sector", "in_erase_suspend", 4),
        Field("program_interval", 12, 9, "program: resume to next suspend", counted(4, INTERVAL_UNITS_NS)),
        Field("program_latency", 19, 13, "program: longest suspend latency", counted(5, LATENCY_UNITS_NS)),
        Field("erase_interval", 23, 20, "erase: resume to next suspend", counted(4, INTERVAL_UNITS_NS)),
        Field("erase_latency", 30, 24, "erase: longest suspend latency", counted(5, LATENCY_UNITS_NS)),
        Field("no_suspend", 31, 31, "suspend and resume", flag("not supported", "supported")),
    ),
    Dword(
        Field("program_resume_opcode", 7, 0, "program resume: opcode", opcode),
        Field("program_suspend_opcode", 15, 8, "program suspend: opcode", opcode),
        Field("resume_opcode", 23, 16, "resume: opcode", opcode),
        Field("suspend_opcode", 31, 24, "suspend: opcode", opcode),
    ),
    Dword(
        Field(
            "busy_polling", 7, 2, "how to see that it is busy",
            each_of({0: "register 05h, bit 0 is 1 while busy", 1: "register 70h, bit 7 is 1 when ready"}, "not said"),
        ),
        Field("power_up_delay", 14, 8, "delay after deep power-down", counted(5, LATENCY_UNITS_NS)),
        Field("power_up_opcode", 22, 15, "leave deep power-down: opcode", opcode),
        Field("power_down_opcode", 30, 23, "enter deep power-down: opcode", opcode),
        Field("no_power_down", 31, 31, "deep power-down", flag("not supported", "supported")),
    ),
)  # fmt: skip

_EIGHT_LINES = Dword(*_read("1-8-8", 0), *_read("1-1-8", 16))
_UNKNOWN = Dword(Field("dword", 31, 0, "contents not known here", lambda dword: f"{dword:08X}h"))

BASIC = (
    *_SIZE_AND_READS,
    *_TIMES,
    *_SUSPEND_AND_POWER,
    *MODE_DWORDS[:2],
    _EIGHT_LINES,
    *MODE_DWORDS[2:],
    *[_UNKNOWN] * 3,
)
"""The layout of DWORDs 1 to 23."""
