"""Filling a FAT that mkfs.vfat made: names, directories, chains."""
