"""The command line: words in, exit code out; the only place that prints."""
