"""Charts of how a run went: room and write amplification over time."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from simfs.replay.device.clock import NS_PER_DAY, NS_PER_S
from simfs.show import units
from simfs.show.sheet.charts import Chart, axis, layout, line
from simfs.show.sheet.palette import BLUE, ORANGE, RED
from simfs.study.run.figures import Figures
from simfs.study.run.timeline import Sample

STRETCHES = 48  # of write amplification: fewer, so that each says something
KIB = 1024
_SCALES = (
    (2 * NS_PER_DAY, NS_PER_DAY, "days"),
    (2 * 3600 * NS_PER_S, 3600 * NS_PER_S, "hours"),
    (0, NS_PER_S, "seconds"),
)


def time_scale(duration_ns: int) -> tuple[int, str]:
    """The unit of an axis of device time, and its name."""
    return next((unit_ns, name) for least_ns, unit_ns, name in _SCALES if duration_ns >= least_ns)


def room_chart(figures: Figures, samples: Sequence[Sample]) -> Chart:
    """What is in use over time, below what the store holds."""
    unit_ns, unit = time_scale(figures.subject.duration_ns)
    room = figures.room
    x = [sample.at_ns / unit_ns for sample in samples]
    used = [round(sample.live_bytes / KIB, 2) for sample in samples]
    capacity = room.capacity_bytes / KIB
    return Chart(
        key="room",
        title="Room in use",
        told=f"At most {units.size(room.live_max_bytes)} of {units.size(room.capacity_bytes)} are in use, "
        f"{units.percent(room.live_max_percent)}, {units.into_the_run(room.live_max_at_ns)}; at the end "
        f"{units.size(room.live_bytes)}.",
        data=[
            line(x, used, "in use", BLUE),
            line([x[0], x[-1]], [capacity, capacity], "capacity", RED, dash="dash"),
        ],
        layout=layout(axis(f"{unit} into the run"), axis("KiB", rangemode="tozero")),
        headers=("into the run", "in use", "written", "erases"),
        rows=[
            (units.time(at.at_ns), units.size(at.live_bytes), units.size(at.host_bytes), f"{at.erases:,}")
            for at in thinned(samples)
        ],
        points=[f"{units.time(at.at_ns)} into the run: {units.size(at.live_bytes)} in use" for at in samples],
    )


def amplification_chart(figures: Figures, samples: Sequence[Sample]) -> Chart | None:
    """Bytes programmed for each byte that the device wrote, in each stretch and since the start."""
    unit_ns, unit = time_scale(figures.subject.duration_ns)
    stretches = [
        (after.at_ns, (after.programmed_bytes - before.programmed_bytes) / (after.host_bytes - before.host_bytes),
         after.programmed_bytes / after.host_bytes)
        for before, after in pairwise(thinned(samples))
        if after.host_bytes > before.host_bytes
    ]  # fmt: skip
    if not stretches:
        return None
    x = [at_ns / unit_ns for at_ns, _, _ in stretches]
    now, so_far = [round(each, 3) for _, each, _ in stretches], [round(all_, 3) for _, _, all_ in stretches]
    worst_ns, worst, _ = max(stretches, key=lambda stretch: stretch[1])
    return Chart(
        key="amplification",
        title="Write amplification",
        told=f"{units.ratio(figures.amplification.total_ratio)} bytes are programmed for each byte written in all; "
        f"most, {units.ratio(worst)}, in the stretch up to {units.time(worst_ns)} into the run. The least that any "
        "store can do is 1.",
        data=[
            line(x, now, "in this stretch", BLUE),
            line(x, so_far, "since the start", ORANGE, dash="dot"),
            line([x[0], x[-1]], [1, 1], "the floor", RED, dash="dash"),
        ],
        layout=layout(axis(f"{unit} into the run"), axis("programmed for each byte", rangemode="tozero")),
        headers=("up to", "in this stretch", "since the start"),
        rows=[(units.time(at_ns), units.ratio(each), units.ratio(all_)) for at_ns, each, all_ in stretches],
        points=[f"up to {units.time(at_ns)} into the run: {units.ratio(each)}" for at_ns, each, _ in stretches],
    )


def thinned(samples: Sequence[Sample]) -> list[Sample]:
    """At most so many stretches, with the first sample and the last one."""
    step = -(-(len(samples) - 1) // STRETCHES) or 1
    return [*samples[:-1:step], samples[-1]]
