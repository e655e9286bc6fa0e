"""How pictures and pages are drawn and written."""
