"""Forms of the pages, one file for each page that has many."""
