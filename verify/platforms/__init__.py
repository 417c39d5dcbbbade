"""What is asked of the system this program runs on: one interface, and one file a system.

`platform.py` is the interface. What it does by itself works wherever Python does: image files are
read and results are written. A system's own file adds what that system has.
"""
