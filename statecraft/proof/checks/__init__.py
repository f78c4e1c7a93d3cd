"""The findings, one file each, or each few that are one question; by their definitions."""
