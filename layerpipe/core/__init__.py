"""What every other folder stands on: units, errors, files."""
