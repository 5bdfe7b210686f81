"""Trait tables: which characters tell the species of a group apart, each cell with its source."""
