"""Measurement records, the wear log that keeps them, and their export."""
