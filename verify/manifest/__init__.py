"""The manifest: everything recorded about one drive at one moment, and how it is filled."""
