"""The demo scenario: an invented shop, its schools and families, and eighteen months of their history.

Everything here is made up; names are drawn by chance from common ones, addresses lie in towns that do not exist, phones end in
555-01xx and mail goes to example.com. The same seed and the same day give the same scenario.
"""
