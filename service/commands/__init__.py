"""What can be done from a shell? One command a file."""
