"""Cross-tables of two columns: tests that respect climbers and cells that cannot be, association, marked cells."""
