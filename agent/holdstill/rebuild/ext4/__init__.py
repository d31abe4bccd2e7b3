"""How an ext4 is filled without mounting it: the library, inodes, directories, contents."""
