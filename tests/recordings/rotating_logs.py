"""The standard library's logging handlers, by size and by time."""

import logging
import logging.handlers
import time

by_size = logging.handlers.RotatingFileHandler("sizes.log", maxBytes=300, backupCount=3)
by_time = logging.handlers.TimedRotatingFileHandler("times.log", when="S", interval=1, backupCount=2)
for handler in (by_size, by_time):
    handler.setFormatter(logging.Formatter("%(levelname)s %(message)s"))
log = logging.getLogger("tide")
log.setLevel(logging.INFO)
log.addHandler(by_size)
for number in range(40):
    log.info("gauge %d reads %d mm", number, 1000 + number * 7 % 90)
log.addHandler(by_time)
for number in range(3):
    log.warning("gauge %d is late", number)
    time.sleep(1.1)
log.error("höchster Stand")
logging.shutdown()
