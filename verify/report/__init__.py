"""Reports: one plain model of what is to be said, and one file for each way of saying it."""
