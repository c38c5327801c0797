"""What follows from the numbers of many photos."""
