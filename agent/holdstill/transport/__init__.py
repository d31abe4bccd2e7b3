"""The two wires between board and keeper, which share one trust."""
