"""What a machine reads to start: what it names, as bytes handed in; nothing is opened here."""
