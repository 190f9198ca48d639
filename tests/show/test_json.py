"""The JSON object of a hand-built run."""

import json
from typing import Any

from simfs.show import WHOSE
from simfs.show.json import as_json
from simfs.study.run.expect import judge
from simfs.study.run.measure import figures
from tests.support.hand_built import MS, US, hand_built_run


def parsed(**changes: Any) -> Any:
    run = hand_built_run(**changes)
    taken = figures(run)
    return json.loads(as_json(taken, judge(run, taken)))


def test_has_every_figure_of_the_report_and_more() -> None:
    found = parsed(expect={"write_stall_max": 50 * MS})
    assert found["note"] == WHOSE
    assert found["amplification"]["total_ratio"] == 2
    assert found["amplification"]["metadata_bytes"] == 200
    assert found["stalls"]["longest"]["name"] == "/settings.json"
    assert found["stalls"]["per_mille_999_ns"] == 500 * US
    assert found["wear"]["erases_in_run"][9] == 2
    assert found["life"]["first_worn_block"] == 9
    assert 1368 < found["life"]["hottest_years"] < 1369
    assert found["tasks"][0]["by_operation"] == {"append": 999}
    assert found["subject"]["settings"]["cleaner"] == "greedy"
    assert found["expectations"] == [
        {
            "name": "write_stall_max",
            "met": False,
            "measured": 51_500 * US,
            "limit": 50 * MS,
            "unit": "ns",
            "faults": [],
            "by_default": False,
            "at_least": False,
        }
    ]


def test_is_the_same_text_every_time_and_plain_ascii() -> None:
    texts = set()
    for _ in range(2):
        run = hand_built_run(title="Hafen \u00fc")
        texts.add(as_json(figures(run), ()))
    (text,) = texts
    assert text.isascii()
