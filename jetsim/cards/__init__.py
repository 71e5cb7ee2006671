"""One printed page for each set-up, and all of them side by side."""
