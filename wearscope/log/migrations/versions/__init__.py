"""One module for each version of the wear log; none is ever changed once a log of it was written."""
