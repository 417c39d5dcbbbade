"""Measurements, side by side in one run; no tests: a busy machine would fail them."""
