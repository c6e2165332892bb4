"""The parts of a whole answer on exposures: rows by design, models, several exposures, notes."""
