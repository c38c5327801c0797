"""How it was cut: part program, fairness, sound, marks on the part."""
