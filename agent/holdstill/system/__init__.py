"""The doors to this machine: programs, kernel calls, files and time."""
