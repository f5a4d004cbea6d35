"""What does the number mean? Pure computation of the trade."""
