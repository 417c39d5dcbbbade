"""Partition tables: what is stored, and what it should have been. Nothing is judged here."""
