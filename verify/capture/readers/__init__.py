"""Reader processes: one partition each, apart from the program that started them."""
