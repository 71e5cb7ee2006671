"""Figures, tables, provenance and the report document: draws and writes, computes nothing."""
