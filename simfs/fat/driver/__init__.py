"""A small driver, as firmware has one: what it keeps in RAM, which sectors it reads and writes, and when. It must not
know scenarios or what a check would say."""
