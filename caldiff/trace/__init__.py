"""What a file is: its identity, held against what its checksums say."""
