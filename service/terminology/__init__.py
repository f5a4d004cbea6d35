"""What do the codes mean? Expand, look up, validate, translate."""
