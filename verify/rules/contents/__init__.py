"""Rules about the files: all there, of the right size, with the right contents."""
