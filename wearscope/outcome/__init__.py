"""From wear to decision: wear curves, tool life, cost per part, and which bit to stock."""
