"""How a run went, and what it leaves behind."""

from __future__ import annotations

import itertools

from simfs import NorFlash, Store
from simfs.replay.device.device import Device
from simfs.replay.device.task_files import DeviceTask
from simfs.study.run.aftermath import FILES_SHOWN, aftermath
from simfs.study.run.timeline import SAMPLES_MAX, Sample, Timeline


def test_samples_are_evenly_spread_however_long_the_run_is() -> None:
    timeline = Timeline()
    device = Device(Store.format(NorFlash(16)), observers=[timeline], start_ns=10**18)
    task = DeviceTask(device, "log")
    for turn in range(1500):
        device.wait_until(10**18 + turn * 60 * 10**9)
        task.write("/log", b"x" * 30)
        if turn == 700:
            device.boot()
    samples, spent = timeline.samples(), device.store.medium.since(device.finish(title="", source="", kind="").first)
    assert SAMPLES_MAX // 4 < len(samples) <= SAMPLES_MAX
    steps = [after.at_ns - before.at_ns for before, after in itertools.pairwise(samples)]
    assert max(steps) <= 3 * min(steps)
    assert samples[0] == Sample(0, samples[0].live_bytes, 0, 0, 0)
    assert samples[-1] == Sample(device.now_ns - 10**18, device.store.live_bytes, 45_000, spent[3], spent[4])
    assert all(after.host_bytes >= before.host_bytes for before, after in itertools.pairwise(samples))


def test_a_run_in_which_nothing_is_done_has_no_samples() -> None:
    timeline = Timeline()
    Device(Store.format(NorFlash(16)), observers=[timeline])
    assert timeline.samples() == ()


def test_largest_files_are_kept() -> None:
    device = Device(Store.format(NorFlash(64)))
    for number in range(FILES_SHOWN + 5):
        with device.store.open(f"/{number}", "w") as file:
            file.write(bytes(number))
    left = aftermath(device.finish(title="", source="", kind=""))
    assert left.file_count == FILES_SHOWN + 5
    assert len(left.files) == FILES_SHOWN
    assert left.files[0] == ("/204", 204)
    assert len(left.blocks) == 64
