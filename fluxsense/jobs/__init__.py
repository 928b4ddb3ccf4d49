"""One file a command: from files to a typed result, which the command line, notebooks and batches all call for.

A job reads a study (or takes one), calls the rooms below, and returns a result: a frozen value with its document, its one
verdict and its provenance (``result``).  What may live here: reading and writing whole files of a campaign, putting a document
together, handing plain values to ``report``.  What may not: statistics, circuit models, sentences, printing.
"""
