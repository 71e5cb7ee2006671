"""What controls the reach and flow of a stream, and how sure the order is."""
