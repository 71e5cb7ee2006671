"""Can a set-up put a stated flow through a window: what is asked, its throws, its findings in words and pictures."""
