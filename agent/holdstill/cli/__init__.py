"""The command line: arguments in, exit code out; the only place that prints."""
