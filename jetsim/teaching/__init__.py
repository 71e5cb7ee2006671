"""A page to teach with: controls to move, and a stream that follows, from numbers computed beforehand."""
