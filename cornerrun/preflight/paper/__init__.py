"""A bench of numbers alone: the run's own code performs a plan on it, to find out how long that takes and wears."""
