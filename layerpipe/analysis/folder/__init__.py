"""What the files of a folder are: takes, passes, microphones, a rough mix, a click track or none of these."""
