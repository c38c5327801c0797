"""Strip in, numbers out."""
