"""Loudness by ITU-R BS.1770-5 and EBU Tech 3341 / 3342."""
