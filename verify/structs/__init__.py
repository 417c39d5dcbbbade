"""Fixed on-disk structures as cited field tables, apart from any logic."""
