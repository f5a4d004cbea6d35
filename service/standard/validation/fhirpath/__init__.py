"""Does a FHIRPath rule hold? `tree` reads an expression, `compiler` turns it into closures."""
