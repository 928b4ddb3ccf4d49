"""Base: units, errors, constants, whole files, executors, statistics on the sphere, named random streams.

What every room may use and what knows nothing of any room lives here: pure functions of plain arrays, and files as bytes.  No
study, no circuit, no trace.
"""
