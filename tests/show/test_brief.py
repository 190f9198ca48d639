"""What `print` shows of a store, a flash and a run."""

from simfs import NorFlash, Store, StoreConfig
from tests.support.hand_built import hand_built_run


def test_a_flash_says_what_it_is_and_did() -> None:
    flash = NorFlash(block_count=4)
    assert str(flash).endswith(
        "0 reads, 0 programs, 0 erases, busy for 0 us; no block was erased, rated for 100,000 erases"
    )
    flash.program(0, b"\0")
    flash.erase(3)
    # One program of 500 us and one erase of 50 ms.
    assert str(flash) == (
        "flash generic: 4 blocks of 4 KiB, 16 KiB\n0 reads, 1 program, 1 erase, busy for 50.5 ms; "
        "each block was erased 0 to 1 times, rated for 100,000 erases"
    )


def test_a_store_says_how_full_it_is() -> None:
    store = Store.format(NorFlash(block_count=8), StoreConfig())
    with store.open("/a", "w") as file:
        file.write(bytes(2000))
    heading, told = str(store).splitlines()
    assert heading == "flash generic: 8 blocks of 4 KiB, 32 KiB; store: greedy cleaner, 1 log head, byte packing"
    assert told.startswith("1 file, 2,204 bytes of the 14.3 KiB")
    assert " for files and names in use; each block was erased 0 to 1 times" in told
    assert str(Store.mount(store.flash, read_only=True)).splitlines()[0].endswith("byte packing, read-only")


def test_a_run_says_its_verdict() -> None:
    text = " ".join(str(hand_built_run()).split())
    assert text.startswith("Harbour: 10 days of device time from 2031-04-05 on. The files fit: ")
    assert "The flash lasts over 1,000 years at this pace." in text
