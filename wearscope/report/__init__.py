"""Everything people are shown: words, comparison sheets, curves, the report."""
