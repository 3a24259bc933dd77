"""The page in the browser: gathers input, calls the package, shows its answer.

Nothing is measured in here. The rest of the package does not know that there is a page.
"""
