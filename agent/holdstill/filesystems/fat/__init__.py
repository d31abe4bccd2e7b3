"""FAT12, FAT16 and FAT32: a reader, and a writer that shares no code with it."""
