"""The commands of `holdstill keeper reader`, one file each."""
