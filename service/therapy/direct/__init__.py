"""What does a direct measure say? One file a measure: pressure, sides, rates, water, delay."""
