"""DWORDs 15, 16, 18, 19 and 20 of the basic table: how a part is brought into its modes, and out of them.

From memory: what enters the mode 0-4-4 by bit 2, and the quad enable of number 6. What DWORD 19 says of 0-8-8 is
printed as it is.
"""

from __future__ import annotations

from simfs.sfdp.fields import Dword, Field
from simfs.sfdp.words import count, each_of, flag, one_of

QUAD_ENABLE = {
    0: "no bit to set",
    1: "bit 1 of status register 2, two-byte write by 01h; a one-byte write clears the register",
    2: "bit 6 of status register 1, one-byte write",
    3: "bit 7 of status register 2, write by 3Eh, read by 3Fh",
    4: "bit 1 of status register 2, two-byte write by 01h; a one-byte write leaves it",
    5: "bit 1 of status register 2, two-byte write by 01h, read by 35h",
    6: "bit 1 of status register 2, write by 31h",
}

_ENTER_0_4_4 = {0: "mode bits A5h", 1: "register by 85h and 81h", 2: "mode bits Axh"}
_EXIT_0_4_4 = {0: "mode bits 00h", 1: "Fh for 8 or 10 clocks", 3: "Fh for 8 clocks"}
_ENABLE_4_4_4 = {
    0: "quad enable, then 38h", 1: "38h", 2: "35h", 3: "register by 65h and 71h at 800003h, bit 6",
}  # fmt: skip
_DISABLE_4_4_4 = {0: "FFh", 1: "F5h", 2: "the register", 3: "66h, then 99h"}

_ENTER_4_BYTE = {
    0: "B7h", 1: "06h, then B7h", 2: "address register by C8h and C5h", 3: "bank register by 16h and 17h",
    4: "register by B5h and B1h", 5: "opcodes of its own", 6: "always",
}  # fmt: skip
_LEAVE_4_BYTE = {
    0: "E9h", 1: "06h, then E9h", 2: "address register by C8h and C5h", 3: "bank register by 16h and 17h",
    4: "register by B5h and B1h", 5: "hardware reset", 6: "software reset", 7: "power cycle",
}  # fmt: skip
_RESET = {
    0: "Fh for 8 clocks", 1: "Fh for 10 clocks", 2: "Fh for 16 clocks", 3: "F0h", 4: "66h, then 99h",
    5: "leave 0-4-4 first",
}  # fmt: skip
_STATUS = {
    0: "non-volatile, enabled by 06h", 1: "volatile, bits 1 at power-up, enabled by 06h",
    2: "volatile, bits 1 at power-up, enabled by 50h", 3: "both, 06h for lasting and 50h for volatile",
    4: "a mixture of bits, enabled by 06h",
}  # fmt: skip

_OCTAL_ENABLE = {0: "no bit to set", 1: "bit 3 of status register 2"}
_EXTENSION = {0: "the opcode again", 1: "the opcode inverted", 3: "opcodes of 16 bits"}
_MHZ = dict(enumerate((33, 50, 66, 80, 100, 133, 166, 200, 250, 266, 333, 400), 1))
_FAST_MODES = ("4S-4S-4S", "4S-4D-4D", "8S-8S-8S", "8D-8D-8D")

_yes = flag("yes", "no")


def _clocks() -> list[Field]:
    """The highest clock of each mode, without strobe and with it."""
    words = one_of({0: "not said"} | {number: f"{mhz} MHz" for number, mhz in _MHZ.items()} | {15: "not said"})
    found = []
    for at, mode in enumerate(_FAST_MODES):
        for with_strobe, strobe in enumerate(("without", "with")):
            low = 8 * at + 4 * with_strobe
            key = f"clock_{mode.lower().replace('-', '_')}_{strobe}_strobe"
            found.append(Field(key, low + 3, low, f"{mode} {strobe} strobe: highest clock", words))
    return found


MODE_DWORDS = (
    Dword(
        Field("disable_4_4_4", 3, 0, "leave 4-4-4", each_of(_DISABLE_4_4_4, "not said")),
        Field("enable_4_4_4", 8, 4, "enter 4-4-4", each_of(_ENABLE_4_4_4, "not said")),
        Field("mode_0_4_4", 9, 9, "0-4-4", flag("supported", "not supported")),
        Field("exit_0_4_4", 15, 10, "leave 0-4-4", each_of(_EXIT_0_4_4, "not said")),
        Field("enter_0_4_4", 19, 16, "enter 0-4-4", each_of(_ENTER_0_4_4, "not said")),
        Field("quad_enable", 22, 20, "quad enable", one_of(QUAD_ENABLE)),
        Field("hold_disable", 23, 23, "HOLD or RESET can be disabled", _yes),
    ),
    Dword(
        Field("status_writes", 6, 0, "status register 1", each_of(_STATUS, "read-only")),
        Field("reset", 13, 8, "reset", each_of(_RESET, "not said")),
        Field("leave_4_byte", 23, 14, "leave 4-byte addresses", each_of(_LEAVE_4_BYTE, "not said")),
        Field("enter_4_byte", 31, 24, "enter 4-byte addresses", each_of(_ENTER_4_BYTE, "not said")),
    ),
    Dword(
        Field("drive_strengths", 22, 18, "drive strengths"),
        Field("in_band_reset", 23, 23, "reset through the data lines", _yes),
        Field("strobe_waveform", 25, 24, "waveform of the strobe"),
        Field("strobe_4s_4s_4s", 26, 26, "strobe in 4S-4S-4S", _yes),
        Field("strobe_4s_4d_4d", 27, 27, "strobe in 4S-4D-4D", _yes),
        Field("opcode_extension", 30, 29, "second opcode byte in 8D-8D-8D", one_of(_EXTENSION)),
        Field("swapped_8d", 31, 31, "bytes swapped in 8D-8D-8D", _yes),
    ),
    Dword(
        Field("disable_8s", 3, 0, "leave 8S-8S-8S", count),
        Field("enable_8s", 8, 4, "enter 8S-8S-8S", count),
        Field("mode_0_8_8", 19, 9, "0-8-8", count),
        Field("octal_enable", 22, 20, "octal enable", one_of(_OCTAL_ENABLE)),
    ),
    Dword(*_clocks()),
)
"""The layouts of DWORDs 15, 16, 18, 19 and 20."""
