"""Puts one flipped bit of a statement right: its CRC-32 has to hold then, and its number has to be the one that END
says. For reading only, since two more flipped bits might look the same."""

from __future__ import annotations

from collections.abc import Iterator

from simfs.store.format.codec import FRAME_BYTES, HEADER_BYTES, STATEMENT, decode_header, statement_salt
from simfs.store.format.statement import decode_statement

STATEMENT_BYTES_MAX = 2048  # of a statement that is mended: what is tried takes time with the square of it


def mended(raw: bytes, block: int, address: int, number: int) -> bytes | None:
    """A block's bytes with the flipped bit of the statement at `address` put right; None when no bit makes it the one
    with this number. Tries every bit of the header, or every other one where the header is sound: a few thousand
    CRCs."""
    before, after = raw[:address], raw[address + STATEMENT_BYTES_MAX :]
    for changed in _with_a_bit_turned(raw[address : address + STATEMENT_BYTES_MAX], statement_salt(block)):
        said = decode_statement(changed, block, 0, 0)
        if said is not None and said.number == number:
            return before + changed + after
    return None


def _with_a_bit_turned(raw: bytes, salt: int) -> Iterator[bytes]:
    """The bytes from a statement's start on, with each bit turned round that may have flipped."""
    if len(raw) < FRAME_BYTES:
        return
    sound = decode_header(raw, 0, salt)
    bits = range(8 * HEADER_BYTES)
    if sound is not None and sound.kind == STATEMENT:
        bits = range(8 * HEADER_BYTES, 8 * min(FRAME_BYTES + sound.length, len(raw)))
    changed = bytearray(raw)
    for bit in bits:
        changed[bit // 8] ^= 1 << bit % 8
        yield bytes(changed)
        changed[bit // 8] ^= 1 << bit % 8
