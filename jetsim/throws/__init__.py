"""Field tests: planned, read in, learnt from, and turned into comparisons with odds."""
