"""The commands of `holdstill keeper`, one file each."""
