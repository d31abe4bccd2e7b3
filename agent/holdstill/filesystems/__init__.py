"""File systems, a folder for each family: reader, writer, and how small one may be."""
