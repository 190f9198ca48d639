"""Scenarios that are Python scripts: they run on the public names, and what is wrong with them is told in one line."""

import re

import pytest

from simfs.replay.play import replay
from simfs.replay.scenario.input_faults import BadScenario
from simfs.study.run.expect import judge
from simfs.study.run.measure import figures

GOOD = """\
from simfs import NorFlash, Store, StoreConfig
from simfs.replay.device.clock import format_moment
from simfs.replay.device.task_files import DeviceTask
from simfs.replay.scenario.quantities import parse_duration

title = "a script"
start = "2031-04-05"
expect = {"life_min": "2 d", "refused_max": 1}

def store():
    return Store.format(NorFlash(16), StoreConfig(name_bytes=16))

def run(device):
    log = DeviceTask(device, "log")
    for turn in range(3):
        log.append("/log", format_moment(device.now_ns)[:13].encode() + b"\\n")
        device.wait_until(device.start_ns + (turn + 1) * parse_duration("6 h"))
    log.create("/a-name-of-18-bytes")
    assert log.read("/log") == b"2031-04-05 00\\n2031-04-05 06\\n2031-04-05 12\\n"
"""


def written(tmp_path, text):
    path = tmp_path / "plan.py"
    path.write_text(text)
    return path


def test_a_script_is_run_and_noted(tmp_path):
    run = replay(written(tmp_path, GOOD))
    assert (run.title, run.kind) == ("a script", "script")
    assert run.expect == {"life_min": 2 * 86_400 * 10**9, "refused_max": 1}
    assert run.tasks["log"].operations == {"append": 3, "create": 1, "read": 1}
    assert [refusal.error for refusal in run.refusals] == ["ENAMETOOLONG"]
    assert [fault.name for fault in run.name_faults] == ["/a-name-of-18-bytes"]


@pytest.mark.parametrize(
    ("old", "new", "line", "what"),
    [
        ("def run(device):", "def walk(device):", 1, "run: it is missing; write def run"),
        ("def store():", "def shop():", 1, "store: it is missing; write def store"),
        ("    log = DeviceTask", "    log = DeviceTusk", 14, "the script: NameError: .*DeviceTusk"),
        ("    log = DeviceTask", "    log == = DeviceTask", 14, "syntax: invalid syntax"),
        ("    log = DeviceTask", "    raise SystemExit(3)\n    log = DeviceTask", 14, "the script: SystemExit: 3; to"),
        ("title =", "raise SystemExit\ntitle =", 6, "the script: SystemExit; to end early, return from run$"),
        ("    return Store", "    raise SystemExit('a\\nb')\n    return Store", 11, "the script: SystemExit: a b; to"),
        ("NorFlash(16)", "NorFlash(0)", 11, "the script: ValueError: .*"),
        ("return Store.format", "Store.format", 1, "store: it gave None; return Store.format"),
        ('"2031-04-05"', '"2031-02-30"', 1, "the script: ValueError: there is no date"),
        ('"refused_max": 1', '"refused_max": "1"', 1, 'expect.refused_max: "1" is not a whole number'),
        ('"refused_max": 1', '"refused": 1', 1, "expect.refused: there is no such key"),
    ],
)
def test_what_is_wrong_with_a_script_is_one_line(tmp_path, old, new, line, what):
    assert old in GOOD
    path = written(tmp_path, GOOD.replace(old, new))
    with pytest.raises(BadScenario) as caught:
        replay(path)
    text = str(caught.value)
    assert len(text.splitlines()) == 1
    assert re.match(rf"{re.escape(str(path))}:{line}: {what}", text)


def test_a_script_that_is_not_there_is_an_os_error(tmp_path):
    with pytest.raises(FileNotFoundError):
        replay(tmp_path / "none.py")


CUT = """\
from simfs import NorFlash, PowerCut, Store, StoreConfig
from simfs.replay.device.task_files import DeviceTask

class Plan:
    left = 1000
    def before_read(self, cells, address, length):
        pass
    def before_program(self, cells, address, data):
        self.left -= 1
        if self.left == 0:
            raise PowerCut("at a program")
    def before_erase(self, cells, address, length):
        pass

plan = Plan()
expect = {"file_count_max": 1, "sound": True, "file_texts": {"/log": "aab"}}

def store():
    return Store.format(NorFlash(16, faults=plan), StoreConfig())

def run(device):
    log = DeviceTask(device, "log")
    log.append("/log", b"aa")
    plan.left = 1
    log.append("/log", b"bb")
"""


def test_a_power_cut_that_ends_a_script_is_one_line(tmp_path):
    path = written(tmp_path, CUT)
    with pytest.raises(BadScenario) as caught:
        replay(path)
    right = "catch it, switch the power on (device.flash.power_on()) and boot (device.boot())"
    assert str(caught.value) == f"{path}:11: the script: PowerCut: at a program; {right}"


def test_a_script_goes_on_after_a_power_cut_as_the_fault_line_says(tmp_path):
    caught = """\
    try:
        log.append("/log", b"bb")
    except PowerCut:
        device.flash.power_on()
        device.boot()
        log.append("/log", b"b")
"""
    run = replay(written(tmp_path, CUT.replace('    log.append("/log", b"bb")\n', caught)))
    assert [verdict.met for verdict in judge(run, figures(run))] == [True, True, True]
    assert len(run.boots) == 2


def test_what_the_store_held_before_the_run_is_not_the_runs_data(tmp_path):
    before = """\
    store = Store.format(NorFlash(16), StoreConfig(name_bytes=16))
    with store.open("/before", "w") as file:
        file.write(b"x" * 5000)
    return store
"""
    text = GOOD.replace("    return Store.format(NorFlash(16), StoreConfig(name_bytes=16))\n", before)
    run, plain = replay(written(tmp_path, text)), replay(written(tmp_path, GOOD))
    assert run.first_meters.payload_bytes_programmed == 5000
    split, wanted = figures(run).amplification, figures(plain).amplification
    assert split.data_bytes == wanted.data_bytes == 3 * 14  # three lines in the log
    assert split.metadata_bytes > 0
