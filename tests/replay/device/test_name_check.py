"""Names that a store can't keep: too long, cut, colliding after cutting or folding."""

from simfs import NorFlash, Store, StoreConfig
from simfs.files.names import NameRule
from simfs.replay.device.name_check import name_faults


def test_names_that_fit_have_no_faults():
    # 15 bytes and the terminator; the two bytes of each letter are counted
    assert name_faults(["/a", "/b", "/" + "é" * 7, "/A"], NameRule(16)) == []


def test_an_overlong_name_is_refused():
    (fault,) = name_faults(["/" + "x" * 15, "/short"], NameRule(16))
    assert fault.name == "/" + "x" * 15
    assert fault.why == "it has 16 bytes, 15 fit"
    assert "ENAMETOOLONG" in fault.what_happens


def test_refused_names_do_not_collide():
    faults = name_faults(["/log/2031-04-05.csv", "/log/2031-04-06.csv"], NameRule(12))
    assert len(faults) == 2
    assert not any("same as" in fault.why for fault in faults)


def test_cut_names_collide():
    faults = name_faults(["/log/2031-04-05.csv", "/log/2031-04-06.csv"], NameRule(12, overlong="cut"))
    assert [fault.what_happens for fault in faults if "bytes" in fault.why] == [
        'it is cut silently to "/log/2031-0"'
    ] * 2
    (collision,) = [fault for fault in faults if "same as" in fault.why]
    assert collision.name == "/log/2031-04-06.csv"
    assert collision.why == 'after cutting it is the same as "/log/2031-04-05.csv"'
    assert 'one file, "/log/2031-0"' in collision.what_happens


def test_a_cut_name_can_meet_one_that_fits():
    faults = name_faults(["/config.json", "/config.j"], NameRule(10, overlong="cut"))
    assert any(fault.why == 'after cutting it is the same as "/config.j"' for fault in faults)


def test_folding_makes_names_meet():
    names = ["/Log", "/log", "/LOG2"]
    assert name_faults(names, NameRule(48, fold_case=False)) == []
    (collision,) = name_faults(names, NameRule(48, fold_case=True))
    assert collision.why == 'after folding case it is the same as "/Log"'


def test_names_that_are_no_text_are_left_out():
    """A script may have tried them; the store refused them with an error of their own."""
    assert name_faults(["", "a\0b", "\ud800", "/fits"], NameRule(48)) == []


def test_names_that_are_not_utf_8_can_meet():
    (collision,) = name_faults(["/\udcffA", "/\udcffa"], NameRule(48, fold_case=True))
    assert collision.why == 'after folding case it is the same as "/\udcffA"'


def test_names_that_differ_in_the_case_of_other_letters_are_kept_apart_and_told():
    names = ["/ÜBER", "/über", "/Über", "/k", "/\u212a", "/other"]
    assert name_faults(names, NameRule(48, fold_case=False)) == []
    faults = name_faults(names, NameRule(48, fold_case=True))
    assert [(fault.name, fault.breaks) for fault in faults] == [
        ("/Über", True),  # with "/ÜBER": their ASCII letters fold
        ("/über", False),
        ("/\u212a", False),
    ]
    assert faults[1].why == 'it differs from "/ÜBER" only in the case of letters beyond ASCII'
    assert "keeps two files" in faults[1].what_happens
    store = Store.format(NorFlash(8), StoreConfig(fold_case=True))
    for name in names:
        store.open(name, "a").close()
    assert store.names() == ["/k", "/other", "/ÜBER", "/über", "/\u212a"]  # as the report says
