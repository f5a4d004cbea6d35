"""Did it change, and is the change real? Statistics of one series in two phases."""
