"""The fifteen pages: each file names the sections that it is made of."""
