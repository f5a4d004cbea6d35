"""What do code systems, value sets and concept maps mean? Pure; what is held is handed in."""
