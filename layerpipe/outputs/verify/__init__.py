"""Looking at bounces after the fact: is it still what was bounced, and what is different between two."""
