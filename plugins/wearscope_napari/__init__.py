"""wearscope in napari: look at the photos of a trial, correct what the program got wrong, see the numbers follow."""
