"""The van of a night: what to pick, scanned on, scanned off again."""
