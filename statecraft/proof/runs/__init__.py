"""Runs that show something: sought, played again, minimised, told as trials."""
