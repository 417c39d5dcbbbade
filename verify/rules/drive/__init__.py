"""Rules about the drives themselves: two of them, at rest, readable, with sectors that fit."""
