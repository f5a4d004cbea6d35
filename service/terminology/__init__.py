"""Which codes are known here? What is shipped, and what users stored, seen by a caller."""
