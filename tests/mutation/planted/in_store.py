"""Bugs in the store: the format, the log, the index, names, room, cleaning, mounting."""

from __future__ import annotations

from tests.mutation.planted import Planted

CLAIMS = "store/tables/test_claims.py::"
CLEANER = "store/cleaning/test_cleaner.py::"
FULL = "store/cleaning/test_full.py::"
INDEX = "store/tables/test_spans.py::"
LOG = "store/log/test_heads.py::"
MOUNT = "store/mounting/test_mount.py::"
POLICIES = "store/cleaning/test_policies.py::"
REPLAY = "store/mounting/test_rebuild.py::"

BUGS = [
    Planted(
        "an exchange keeps a page free that it does not need",
        "simfs.store.log.statements",
        "return last_place - (head.at - head.start)",
        "return last_place - layout.page_bytes - (head.at - head.start)",
        CLEANER + "test_an_exchange_empties_whatever_leaves_a_page_for_its_statement[8]",
    ),
    Planted(
        "a named block that a recovery killed is taken for the newest one",
        "simfs.store.mounting.lost_lead",
        'return is_killed(scan, layout) and bool(scan.raw[: layout.page_bytes].strip(b"\\0"))',
        "return False",
        "store/mounting/test_lost_lead.py::test_a_block_that_a_recovery_has_killed_lately_is_not_the_newest",
    ),
    Planted(
        "the names of removed files fill a store",
        "simfs.store.cleaning.cleaner",
        "if names * NAMES_SHARE < blocks.capacity or",
        "if names < 2 * blocks.capacity or",
        FULL + "test_names_of_removed_files_never_fill_an_empty_store[1]",
    ),
    Planted(
        "the CRC of what is read is not checked",
        "simfs.store.log.frame_reader",
        "if not payload_is_sound(raw, frame.length, self._blocks.salt[frame.address // self._layout.block_bytes]):",
        "if not raw:",
        REPLAY + "test_every_frame_in_a_listed_block_is_checked_when_it_is_read",
    ),
    Planted(
        "the CRC of frames that are read in a row is not checked",
        "simfs.store.log.frame_reader",
        "if offset > start or crc32(payload, salted) != sum_of(cells, ends)[0]:",
        "if offset > start:",
        "store/log/test_frame_reader.py::test_frames_in_a_row_are_read_as_one_by_one",
    ),
    Planted(
        "a tombstone goes while an older name still stands elsewhere",
        "simfs.store.tables.claims",
        "self.bearers[key] > going.count(key)",
        "self.bearers[key] > going.count(key) + 1",
        CLAIMS + "test_a_tombstone_outlives_cleaning_while_an_older_name_stands_and_goes_with_it",
    ),
    Planted(
        "a tombstone is written again though all that it holds down goes with it",
        "simfs.store.tables.claims",
        "self.bearers[key] > going.count(key)",
        "self.bearers[key] > 0",
        CLAIMS + "test_a_tombstone_is_dropped_with_the_block_that_holds_all_that_it_holds_down",
    ),
    Planted(
        "a tombstone outlives all that it holds down",
        "simfs.store.tables.claims",
        """                del self.bearers[key]
                self._drop_tomb(key)
""",
        """                del self.bearers[key]
""",
        CLAIMS + "test_a_tombstone_outlives_cleaning_while_an_older_name_stands_and_goes_with_it",
    ),
    Planted(
        "room for the removal of a file is not kept",
        "simfs.store.volume",
        "self.room.admit(2 * state.claims.cost(name), name)",
        "self.room.admit(0, name)",
        "files/test_store.py::test_a_store_full_of_names_keeps_room_to_remove_each[one head]",
    ),
    Planted(
        "waiting bytes have no room reserved",
        "simfs.store.file_bytes",
        "        state.reserved += growth\n        node.reserved += growth\n",
        "",
        FULL + "test_room_is_reserved_when_bytes_are_written[large buffer]",
    ),
    Planted(
        "a write is admitted without what a hole before it takes",
        "simfs.store.cleaning.room",
        "return self._layout.cost(waiting) + 2 * self._layout.hole_cost",
        "return 0",
        FULL + "test_a_full_store_refuses_and_can_always_delete[bytes-150]",
    ),
    Planted(
        "a full store admits one frame too much",
        "simfs.store.cleaning.room",
        "if self.state.committed + growth > self.state.blocks.capacity and",
        "if self.state.committed > self.state.blocks.capacity and",
        "files/test_store.py::test_a_store_full_of_names_keeps_room_to_remove_each[one head]",
    ),
    Planted(
        "a refused write leaves its bytes in the buffer",
        "simfs.store.file_bytes",
        "        growth = self._room.room_for(waiting) - node.reserved\n",
        "        growth = self._room.room_for(waiting) - node.reserved\n        node.buffer = joined\n",
        FULL + "test_room_is_reserved_when_bytes_are_written[bytes]",
    ),
    Planted(
        "a read does not see what waits in the buffer",
        "simfs.store.file_bytes",
        "        if begin < end:\n",
        "        if begin < end < 0:\n",
        "files/test_store.py::test_what_waits_in_a_buffer_is_seen_but_not_on_the_flash",
    ),
    Planted(
        "a write beside what waits is joined to it",
        "simfs.store.file_bytes",
        "if 0 <= at <= len(node.buffer):",
        "if 0 <= at:",
        "files/test_io.py::test_writes_apart_from_each_other_do_not_join[store]",
    ),
    Planted(
        "a hole is not filled with zeros",
        "simfs.store.log.frame_reader",
        "return bytes(stop - start)",
        r'return b"\xff" * (stop - start)',
        "files/test_io.py::test_writes_apart_from_each_other_do_not_join[store]",
    ),
    Planted(
        "a hole begins at the start of the file",
        "simfs.store.file_bytes",
        "            self.append_hole(node, node.size, offset, data)\n",
        "            self.append_hole(node, 0, offset, data)\n",
        "files/test_io.py::test_writes_apart_from_each_other_do_not_join[store]",
    ),
    Planted(
        "the older of two bytes in one place is read",
        "simfs.store.tables.spans",
        "pieces = [(starts[first], places[first])] if starts[first] < offset else []",
        "pieces = [(starts[first], places[first])]",
        INDEX + "test_spans_are_a_map_of_bytes",
    ),
    Planted(
        "bytes that were written over stay live",
        "simfs.store.tables.spans",
        "        self._charge_spans(node, first, last, -1)\n",
        "",
        INDEX + "test_spans_are_a_map_of_bytes",
    ),
    Planted(
        "a run goes on beyond what its entry can say",
        "simfs.store.format.runs",
        "or run.length + length > LENGTH_MAX",
        "or run.length > LENGTH_MAX",
        INDEX + "test_a_run_ends_before_its_length_overflows",
    ),
    Planted(
        "a run goes on over what another log head wrote in between",
        "simfs.store.format.runs",
        "            or order != self.next_order\n",
        "",
        INDEX + "test_runs_follow_their_rule",
    ),
    Planted(
        "a mount resolves data that overlap oldest first",
        "simfs.store.mounting.rebuild",
        "return sorted(blocks, key=itemgetter(0))",
        "return sorted(blocks, key=itemgetter(0), reverse=True)",
        REPLAY + "test_bytes_written_over_in_place_are_the_newest[1]",
    ),
    Planted(
        "a mount takes a name for bytes that lengthen a file",
        "simfs.store.mounting.rebuild",
        "mixed = {entry[1] for entry in others} if others else ()",
        "mixed = ()",
        REPLAY + "test_a_renamed_file_has_one_name_after_its_frame_was_cleaned[b]",
    ),
    Planted(
        "a mount lets the oldest claim of a name win",
        "simfs.store.mounting.rebuild",
        "for sequence, frame, payload in sorted(claims):",
        "for sequence, frame, payload in sorted(claims, reverse=True):",
        CLAIMS + "test_two_files_trade_names[0]",
    ),
    Planted(
        "a rename leaves the file under both names",
        "simfs.store.volume",
        "        del state.files[claims.key(old)]\n",
        "",
        CLAIMS + "test_a_chain_of_renames[0]",
    ),
    Planted(
        "a mount leaves a file under the name that it had before its rename was cleaned",
        "simfs.store.mounting.rebuild",
        "        named.pop(state.claims.key(node.name), None)\n",
        "        pass\n",
        REPLAY + "test_a_renamed_file_has_one_name_after_its_frame_was_cleaned[b]",
    ),
    Planted(
        "a file that was renamed over stays live",
        "simfs.store.volume",
        "            self._unname(replaced)\n",
        "            replaced.name = None\n",
        CLAIMS + "test_claims_hold_after_each_of_many_operations[0-2]",
    ),
    Planted(
        "a mount gives the number of the newest file out again",
        "simfs.store.mounting.rebuild",
        "*[file + 1 for file in files]",
        "*files",
        REPLAY + "test_a_file_made_after_a_mount_does_not_share_the_number_of_another",
    ),
    Planted(
        "the greedy cleaner takes the fullest block",
        "simfs.store.cleaning.policies",
        "return min(closed, key=blocks.live.__getitem__) if dead is None else dead",
        "return max(closed, key=blocks.live.__getitem__) if dead is None else dead",
        POLICIES + "test_greedy_takes_the_block_with_the_least_live",
    ),
    Planted(
        "the age of cost-benefit counts backwards",
        "simfs.store.cleaning.policies",
        "(now - blocks.written_at[block])",
        "(blocks.written_at[block] - now)",
        POLICIES + "test_cost_benefit_by_the_published_formula",
    ),
    Planted(
        "folding is not on the flash",
        "simfs.store.format.settings",
        "| FOLD_CASE * config.fold_case",
        "| 0",
        MOUNT + "test_a_mount_finds_the_settings_on_the_flash",
    ),
    Planted(
        "a mount on another geometry goes ahead",
        "simfs.store.format.settings",
        "if stored != found:",
        "if stored < found:",
        MOUNT + "test_another_geometry_is_named",
    ),
    Planted(
        "names are found without folding them",
        "simfs.store.volume",
        "self._files.get(name.lower() if self._fold_case else name)",
        "self._files.get(name)",
        "files/test_store.py::TestNames::test_folding[store]",
    ),
    Planted(
        "a listing by prefix leaves out the name that is the prefix",
        "simfs.store.volume",
        "files.keys()[files.bisect_left(key) : end]",
        "files.keys()[files.bisect_right(key) : end]",
        "files/test_store.py::TestNames::test_a_prefix_is_plain_text_whatever_the_store_folds[store]",
    ),
    Planted(
        "a read-only mount settles what is in doubt, and writes",
        "simfs.store.volume",
        "cls(load(flash, writable=False, find=find), read_only)",
        "cls(load(flash, writable=True, find=find), True)",
        REPLAY + "test_a_read_only_mount_leaves_a_log_in_doubt_as_it_is",
    ),
    Planted(
        "a file may pass 4 GiB - 1 and wrap",
        "simfs.store.file_bytes",
        "if offset + len(data) > SIZE_MAX:",
        "if offset > SIZE_MAX:",
        "files/test_store.py::test_the_largest_size_is_4_gib_less_1",
    ),
]
