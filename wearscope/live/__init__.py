"""Photos taken while the bit lies under the lens: frames of a camera, what is still wrong with them, and filing."""
