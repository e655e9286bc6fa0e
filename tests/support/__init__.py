"""What tests share: takes and songs that are made, bad files, pages in a browser."""
