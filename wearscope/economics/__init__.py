"""How wear grows, how long a bit lasts, what a part costs: numbers only."""
