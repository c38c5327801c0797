"""What a trial comes to: whether it is fair, what else shows wear, how wear grows, and which bit to stock."""
