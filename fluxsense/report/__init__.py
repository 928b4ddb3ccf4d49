"""The report: figures and one self-contained HTML page about a result.

What lives here: choosing what to show, drawing it, and wording it.  What may not: anything that changes a result.  The
modules evaluate the model and the densities that a result carries, and take means and quantiles of its draws; they
fit, sample and judge nothing.

views.py    what a result says of each group of sweeps and each loop, as plain arrays and words
figures.py  plain data or a result in, one matplotlib ``Figure`` out; never ``pyplot``, never a file
page.py     the page: template, figures inlined, written beside and renamed

matplotlib, corner and jinja2 are slow to import, so nothing is imported here; commands import `page` when they need it.
"""
