"""macOS: what its own commands and its kernel answer. Tried on no machine."""
