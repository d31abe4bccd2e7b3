"""xfs, btrfs and f2fs: made by their own tools, filled and read through the kernel."""
