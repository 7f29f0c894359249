"""The foreman's report of a sorted lot: one page, the labels for its units, and the page as PDF."""
