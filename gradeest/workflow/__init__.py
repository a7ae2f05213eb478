"""One function per thing a person does; the only room that opens a ledger, runs the belief and keeps its result.

`opening` finds and opens the bench, `recording` writes to it, `believing` fits and caches, `outlook` forecasts and
ranks, `learning` says what a result changed, `reading` lists, `catalogues` shows priors and prices, `demo` plays.
"""
