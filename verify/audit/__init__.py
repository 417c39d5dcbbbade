"""The spot audit of an archive: drawn, looked at again, and what it says of the rest."""
