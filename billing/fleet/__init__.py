"""The instruments in the books: at cost, less depreciation, until they are sold or lost."""
