"""The report: figures and one self-contained HTML page about a result.

What lives here: choosing what to show, drawing it, and wording it.  What may not: anything that changes a result.  What is
drawn comes in as values; the modules take means and quantiles of draws; they fit, sample and judge nothing.

sentences.py   every finding as a sentence
words.py       words for evidence and probability
lines.py       an answer as lines of text
live.py        a campaign while it is measured
documents.py   what these read of each document
views.py       what a page shows of each group of sweeps and each loop, as plain arrays
figures.py     plain data in, one matplotlib ``Figure`` out; never ``pyplot``, never a file
pictures.py    the same inlined, with words and captions
page.py        the page: template, written beside and renamed; no matplotlib before it has to draw
confidence.py  the section on detection
design.py      figures of plans and layouts
design_page.py  their pages
proposals.py   lines of plans and layouts
readout.py     lines of the read-out chain
readout_page.py  its page
sweeps.py      the page of `characterize`
tables.py      tables as CSV and LaTeX
citation.py    how to cite the package

matplotlib, corner and jinja2 are slow to import, so nothing is imported here; commands import `page` when they need it.
"""
