"""File systems, a package for each family: reader, writer, and how small one may be."""
