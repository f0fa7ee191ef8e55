"""The report of one measurement: a page for phone and paper, and a PDF of the same content."""
