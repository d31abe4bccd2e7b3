"""ext2, ext3 and ext4: a reader, and a writer that shares no code with it."""
