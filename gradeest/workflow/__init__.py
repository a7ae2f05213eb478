"""One function per thing a person does; the only room that opens a ledger, runs the belief and keeps its result.

`opening` finds and opens the bench, `recording` and `correcting` write to it, `believing` fits and caches (`cache`),
`outlook` forecasts and ranks, `expecting` forecasts a batch and judges its results, `learning` says what a result
changed (`comparing`), `grading` shows what is believed, `reading` lists, `catalogues` shows priors and prices,
`hazard_lines` words the cautions, `demo` plays; `telling` is how they say how far they are.
"""
