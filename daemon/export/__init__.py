"""Exports: a test's records as flat tables for a spreadsheet, pandas, DuckDB or R, with a dictionary of the columns.

``tables`` says which columns there are, in which unit and with which meaning; ``write`` puts them into files.
"""
