"""The one place that says what a quantity is."""
