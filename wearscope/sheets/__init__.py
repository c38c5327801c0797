"""Comparison sheets for people."""
