"""Sheets of paper: one page each, black on white, drawn from plain contents."""
