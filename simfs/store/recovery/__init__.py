"""Makes a store ready to be written to: settles what a power cut left uncertain, and formats. It must not know who
asked for the mount, or what stands in files but where that says which blocks are dead."""
