"""After the swap: which drive is this one, and does the machine run from it."""
