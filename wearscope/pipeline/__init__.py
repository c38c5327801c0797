"""The way of a photo, and of a whole trial, through the code."""
