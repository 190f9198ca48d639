"""Says what every byte on the flash means, and reads and writes these bytes. It must not know what is in RAM, or when
anything is written."""
