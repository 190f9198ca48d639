"""Bugs in the files that a program sees: names, modes, positions, handles."""

from __future__ import annotations

from tests.mutation.planted import Planted

STORE = "files/test_store.py::"
IO = "files/test_io.py::"
NAMES = "files/test_names.py::"

BUGS = [
    Planted(
        "a flush that does not spill",
        "simfs.files.handle",
        """        if self._writes and self._node.buffer:
            self._bytes.spill(self._node)
        else:
            self._check_open()""",
        "        self._check_open()",
        STORE + "test_what_waits_in_a_buffer_is_seen_but_not_on_the_flash",
    ),
    Planted(
        "a close that makes nothing durable",
        "simfs.files.handle",
        """            if self._writes and node.buffer:
                self._bytes.spill(node)
""",
        "            pass\n",
        STORE + "test_a_read_only_mount_refuses_to_write",
    ),
    Planted(
        "append mode writes at the position instead of the end",
        "simfs.files.opened.stream",
        "at = self._size() if self._mode.appends else self._at",
        "at = self._at",
        IO + "test_as_on_the_host[buffered_appender-store]",
    ),
    Planted(
        "append mode stands at the start when it opens",
        "simfs.files.opened.stream",
        "self._at = self._size() if mode.appends else 0",
        "self._at = 0",
        IO + "test_as_on_the_host[text_appended-store]",
    ),
    Planted(
        "a seek from the end does not count what waits in the buffer",
        "simfs.files.handle",
        "return self._bytes.size(node) if node.buffer else node.size",
        "return node.size",
        IO + "test_the_end_counts_what_was_written_and_not_flushed[store]",
    ),
    Planted(
        "truncating moves the position",
        "simfs.files.handle",
        "        self._store.volume.truncate(self._node, size_bytes)\n",
        "        self._store.volume.truncate(self._node, size_bytes)\n        self._at = min(self._at, size_bytes)\n",
        IO + "test_truncating_leaves_the_position[store]",
    ),
    Planted(
        "one file too many may be open",
        "simfs.files.store",
        "if self.files_open >= self._open_files_max:\n            raise",
        "if self.files_open > self._open_files_max:\n            raise",
        STORE + "test_open_files_have_a_limit",
    ),
    Planted(
        "a closed file goes on counting as an open one",
        "simfs.files.handle",
        "        self._store.files_open -= 1\n",
        "",
        STORE + "test_open_files_have_a_limit",
    ),
    Planted(
        "exclusive creation takes over a file that exists",
        "simfs.files.store",
        "        elif meaning.exclusive:\n",
        "        elif meaning.exclusive and not meaning.creates:\n",
        STORE + "TestNames::test_folding[store]",
    ),
    Planted(
        "a file opened with w keeps its bytes until it is closed",
        "simfs.files.store",
        "            volume.truncate(node, 0)\n",
        '            node.buffer = b""\n',
        STORE + "test_truncating_at_open_lasts_at_once",
    ),
    Planted(
        "a removed file's bytes die while a handle is still open",
        "simfs.files.handle",
        "node.handles += 1",
        "node.handles += mode.writes",
        IO + "test_a_removed_file_lives_until_its_last_handle_is_closed[store-r]",
    ),
    Planted(
        "a name may fill its field without the terminator",
        "simfs.files.names",
        "len(encoded) < self.limit_bytes and",
        "len(encoded) <= self.limit_bytes and",
        NAMES + "test_the_limit_counts_the_terminator_and_bytes",
    ),
    Planted(
        "folding turns letters beyond ASCII too",
        "simfs.files.names",
        "return encoded.lower() if self.fold_case else encoded",
        'return self.decode(encoded).lower().encode(errors="surrogateescape") if self.fold_case else encoded',
        NAMES + "test_folding_is_ascii_only",
    ),
    Planted(
        "a listing by prefix compares as the store folds, not as asked",
        "simfs.files.store",
        "return [name for name in names if name.startswith(prefix)]",
        "return names",
        STORE + "TestNames::test_a_prefix_is_plain_text_whatever_the_store_folds[store]",
    ),
    Planted(
        "names are listed in the order of their folded keys",
        "simfs.files.store",
        "names = sorted(NameRule",
        "names = list(NameRule",
        STORE + "TestNames::test_names_are_sorted_as_strings",
    ),
    Planted(
        "a cut name is counted only the first time",
        "simfs.files.store",
        'known = self.name_rules.encode if config.overlong == "cut" else lru_cache(1024)(self.name_rules.encode)',
        "known = lru_cache(1024)(self.name_rules.encode)",
        STORE + "test_cut_names_are_counted",
    ),
    Planted(
        "x as a last letter is taken for an update",
        "simfs.files.modes",
        'update = "+" in tail',
        'update = tail != ""',
        "files/test_modes.py::test_meaning_of_each_spelling[wbx]",
    ),
    Planted(
        "the model forgives the loss of bytes that were acknowledged",
        "simfs.files.model_file",
        "        return partly == contents\n",
        "        return len(partly) == len(contents)\n",
        "files/test_model.py::test_what_was_acknowledged_may_not_change",
    ),
]
