"""Photo in, strip out."""
