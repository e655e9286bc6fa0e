"""When each onset of a take begins: strums and notes of plucked strings."""
