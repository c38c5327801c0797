"""Comparison sheets: used beside unused, new beside now."""
