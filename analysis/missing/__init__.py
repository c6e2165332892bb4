"""What the answer would be under other handlings of missing values."""
