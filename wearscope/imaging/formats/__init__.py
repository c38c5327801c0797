"""Formats of photo files: a module for each, which registers itself (see `registry`)."""
