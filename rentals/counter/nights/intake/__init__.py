"""What a tablet is given before the evening, and how what it brings back becomes agreements, each once."""
