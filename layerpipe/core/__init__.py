"""The base that every other package uses: units, errors, sounds, files."""
