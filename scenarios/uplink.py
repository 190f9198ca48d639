"""A buoy that sends its readings by radio. While there is no contact the messages wait in files; as soon as there is,
they are sent, oldest first, and removed. How long the sea keeps the radio silent is a matter of chance, which no
table can say. The question: does the queue fit in 128 KiB, and what does a long silence cost?
"""

from simfs import NorFlash, Store, StoreConfig
from simfs.flash import Rng
from simfs.replay.device.clock import NS_PER_S
from simfs.replay.device.task_files import DeviceTask

title = "Buoy: messages wait in files while the radio is silent"
start = "2031-11-01"
expect = {"life_min": "20 years", "refused_max": 0, "names_fit": True, "sound": True}

DAYS = 60
READINGS_A_DAY = 96
MESSAGE_BYTES = 120
SENT_AT_ONCE_MAX = 40


def store():
    return Store.format(NorFlash.part("W25Q32JV", block_count=32), StoreConfig(buffer_bytes=256))


def run(device):
    chance = Rng(7, "sea")
    queue, radio = DeviceTask(device, "queue"), DeviceTask(device, "radio")
    silent_until = 0
    for reading in range(DAYS * READINGS_A_DAY):
        device.wait_until(device.start_ns + reading * 86_400 * NS_PER_S // READINGS_A_DAY)
        queue.append(f"/out/{reading:06}", bytes(chance.below(64) + 32 for _ in range(MESSAGE_BYTES)))
        if chance.below(400) == 0:
            silent_until = reading + 1 + chance.below(4 * READINGS_A_DAY)
        if reading >= silent_until:
            for name in radio.names("/out/")[:SENT_AT_ONCE_MAX]:
                radio.read(name)
                radio.remove(name)
