"""The links of a boot chain, one module for each kind, as found on a finished card."""
