"""SQLite with two of its rollback journals, and a file that is moved over another."""

import os
import sqlite3

for journal in ("delete", "truncate"):
    base = sqlite3.connect("gauge.db")
    base.execute("pragma page_size = 512")
    base.execute(f"pragma journal_mode = {journal}")
    base.execute("create table if not exists reading (at integer primary key, mm integer, note text)")
    base.commit()
    base.executemany("insert or replace into reading values (?, ?, ?)", [(n, n * 13 % 50, journal) for n in range(5)])
    base.commit()
    if journal == "delete":
        base.execute("delete from reading")
        base.rollback()
    base.close()
with open("settings.new", "w") as settings:
    settings.write("interval = 6 min\n")
    settings.flush()
    os.fsync(settings.fileno())
os.replace("settings.new", "settings")
