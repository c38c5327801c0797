"""The first hour: what a folder of pictures holds, what has to be asked, and the trial file that comes of it."""
