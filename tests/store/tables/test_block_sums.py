"""The sums over the bases of the blocks that hold anything, by which a mount notices a block from an older image."""

from __future__ import annotations

from random import Random

from simfs.store.tables.blocks import SUM_END, BlockTable


def assert_sums(blocks: BlockTable) -> None:
    assert blocks.base_sum == sum(blocks.base) % SUM_END
    assert blocks.place_sum == sum(base * (block + 1) for block, base in enumerate(blocks.base)) % SUM_END


def test_sums_are_those_of_all_blocks_in_use() -> None:
    """A block that is named counts no more, whatever it holds."""
    blocks, random = BlockTable(9, 1024, 800, 4000), Random(1)
    for _ in range(300):
        block = random.randrange(9)
        if block in blocks.named:
            blocks.open(block)
            blocks.hold(block, random.randrange(1 << 62), 0)
            blocks.close(block)
        elif block in blocks.closed:
            blocks.free(block, 1)
        else:
            blocks.name(block)
            assert blocks.base[block] == 0
        assert_sums(blocks)


def test_a_block_that_was_swapped_with_another_changes_the_second_sum() -> None:
    one, other = BlockTable(4, 1024, 800, 4000), BlockTable(4, 1024, 800, 4000)
    for blocks, bases in ((one, (7, 5)), (other, (5, 7))):
        for block, base in enumerate(bases):
            blocks.hold(block, base, 0)
    assert one.base_sum == other.base_sum
    assert one.place_sum != other.place_sum
