"""Drives the bench through a plan: gate, settle, loop."""
