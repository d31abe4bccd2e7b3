"""What is on a disk, read from its raw bytes."""
