"""The version of this package, as pyproject.toml takes it from here."""

VERSION = "0.1.0"
