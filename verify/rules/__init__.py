"""Rules: pure functions of two manifests. They open nothing and see no drive."""
