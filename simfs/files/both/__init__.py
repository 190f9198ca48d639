"""Two media behind one store: files on flash and on a card that somebody takes out and puts back, and what follows from
that. It must not know who uses the files, or how the log and the volume work inside."""
