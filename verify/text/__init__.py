"""What the tool says to people: sentences kept as data, and the languages they are said in."""
