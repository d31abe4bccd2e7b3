"""Access to this machine: programs, kernel calls, files and clocks."""
