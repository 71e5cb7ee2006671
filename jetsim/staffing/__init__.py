"""What flow stays within the limit that is stated for a crew of two, three or four."""
